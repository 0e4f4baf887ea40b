"""How often readings like this one were wrong on photographs that nothing was trained on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from scipy.stats import binomtest

from service.wording.language import marked

SETTLED, AS_SURE = marked("settled"), marked("about as sure")
SPLIT = "photographs, split check, given boxes of 40 px or more"


@dataclass(frozen=True)
class Wrong:
    """Held-out readings like this: how many, how many of them were something else."""

    like: str
    """What makes them alike."""
    wrong: int
    of: int
    low: float
    """95 % interval (Wilson 1927) of the share that is wrong."""
    high: float

    @property
    def in_hundred(self) -> int:
        """Wrong ones of a hundred, rounded."""
        return round(100 * self.wrong / self.of)


def wrong_like_this(card: dict[str, Any], pile: str, confidence: float) -> Wrong | None:
    """Settled readings are compared with settled ones, others with those about as confident.

    `card` is the model's card; None if it has no scores on photographs.
    """
    scores = card.get("scores", {}).get(SPLIT)
    if not scores:
        return None
    if pile == "settled":
        wrong, of = scores["settled_wrong"]
        return with_interval(SETTLED, wrong, of)
    bins = [b for b in scores["reliability"] if b["count"]]
    if not bins:
        return None
    # Few photographs lie in one bin: the nearest ones until there are ten.
    ranked = sorted(bins, key=lambda b: abs(b["confidence"] - confidence))
    of = wrong = 0
    for one in ranked:
        of += one["count"]
        wrong += round((1 - one["accuracy"]) * one["count"])
        if of >= 10:
            break
    return with_interval(AS_SURE, wrong, of)


def with_interval(like: str, wrong: int, of: int) -> Wrong:
    """Return the share that is wrong, with its interval.

    >>> with_interval("settled", 4, 93).in_hundred
    4
    """
    interval = binomtest(wrong, of).proportion_ci(0.95, method="wilson")
    return Wrong(like, wrong, of, float(interval.low), float(interval.high))
