"""Whether the reader still keeps its word: a test that may be looked at as often as one likes.

Of readings that people confirmed each is right or wrong, and the card promised that at most a share
of its like is wrong. Whoever bets a fixed part of a purse at fair odds against that promise can't,
as long as it holds, expect to have more than at the start; ever to have 1/level times as much has
a chance of at most `level` (Ville 1939). The purse here is the mean of several, which bet more or
less. Waudby-Smith and Ramdas 2024, Estimating means of bounded random variables by betting (from
memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

LEVEL = 0.05
# What part of the most that may be bet each purse bets on the next one being wrong. The most is
# 1 / promised share: with it one right reading would take all.
PARTS = (0.06, 0.08, 0.12)


@dataclass(frozen=True)
class Drift:
    """What a run of confirmed readings says of a promise."""

    seen: int
    wrong: int
    promised: float
    """Share that may be wrong, mean over the readings."""
    purse: float
    """The largest that it ever was, 1 at the start."""
    warned_at: int | None
    """After how many readings the promise was first given up; None if it stands."""

    @property
    def broken(self) -> bool:
        """Whether the promise was ever given up."""
        return self.warned_at is not None


def drift_of(wrong: Iterable[bool], promised: Sequence[float] | float) -> Drift:
    """Test readings in the order in which they were confirmed.

    `promised` is the share that may be wrong, one for all or one for each.

    >>> drift_of([False] * 40, 0.03).broken
    False
    >>> drift_of([True] * 4, 0.03).warned_at
    3
    """
    outcomes = np.array(list(wrong), float)
    shares = np.broadcast_to(np.clip(np.asarray(promised, float), 1e-3, 0.5), outcomes.shape)
    purses, highest, at = np.ones(len(PARTS)), 1.0, None
    for number, (outcome, share) in enumerate(zip(outcomes, shares, strict=True), start=1):
        purses = purses * (1 + np.array(PARTS) / share * (outcome - share))
        worth = float(purses.mean())
        highest = max(highest, worth)
        if at is None and worth >= 1 / LEVEL:
            at = number
    mean = float(shares.mean()) if len(shares) else 0.0
    return Drift(len(outcomes), int(outcomes.sum()), mean, highest, at)
