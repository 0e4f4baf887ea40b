"""Several looks at one bird, as one likelihood of its comb: what they share counts once.

Three things are shared. One reader's slips at several photos of a moment are alike, more so from
one side than from two. A head has an
appearance at a moment, and a fold deceives all who look at it then: a comb's likelihood sums over
what it may have looked like. And moments are of the same bird, whose comb may be an odd one. Where
n looks (or moments) that say the same are alike with correlation r, they count as
n / (1 + (n - 1) r) independent ones (Kish's design effect): the strongest in full and each further
one for what that adds, so that no look takes from what another said. The numbers are in
`combs.toml`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from genetics.combs import CLASSES, Array, tables
from genetics.evidence import observer_confusion
from genetics.numbers import derived

LEAST = 1e-3  # of a look's largest: what it leaves to an appearance that it all but excludes


@dataclass(frozen=True, eq=False)
class Look:
    """One look at one photo, or at the bird itself."""

    likelihood: Array
    """(6,) of the combs, from this look alone."""
    by: str = ""
    """The reader: a person, or empty for the model."""
    moment: str = ""
    """What is the same for photos taken together: a day."""
    view: str = ""
    """From where the head is seen: photos from one side share more than those from two."""


@derived
def appearances() -> tuple[Array, Array]:
    """Return how a comb (rows) may look at a moment (columns), (6, 6), and the same undone."""
    share = float(tables()["looks"]["of_the_moment"])
    slips = observer_confusion() - np.eye(len(CLASSES))
    moment = np.eye(len(CLASSES)) + share * slips
    return moment, np.asarray(np.linalg.inv(moment))


def read_from(likelihood: Array) -> Array:
    """Return what a look says of how the comb looked (6,), its largest value 1."""
    shown = appearances()[1] @ likelihood
    return np.asarray(np.maximum(shown / shown.max(), LEAST))


def together(looks: Sequence[Look]) -> Array:
    """Return looks at one bird as one likelihood of its comb (6,), its largest value 1."""
    numbers = tables()["looks"]
    by_moment: dict[str, dict[str, dict[str, list[Array]]]] = {}
    for look in looks:
        views = by_moment.setdefault(look.moment, {}).setdefault(look.by, {})
        views.setdefault(look.view, []).append(read_from(look.likelihood))
    alike, across = float(numbers["of_the_reader"]), float(numbers["across_views"])
    moments = []
    for readers in by_moment.values():
        seen = [
            pooled([pooled(mine, alike) for mine in views.values()], across)
            for views in readers.values()
        ]
        found = appearances()[0] @ np.prod(seen, axis=0)
        moments.append(found / found.max())
    return pooled(moments, float(numbers["of_the_bird"]))


def pooled(likelihoods: Sequence[Array], alike: float) -> Array:
    """Return likelihoods (6,) that are alike with a correlation as one, the largest value 1."""
    if len(likelihoods) < 2:
        return likelihoods[0] if likelihoods else np.ones(len(CLASSES))
    logs = np.zeros(len(CLASSES))
    for comb in {int(likelihood.argmax()) for likelihood in likelihoods}:
        # Those that say the same may share a mistake; those that differ don't.
        same = [likelihood for likelihood in likelihoods if likelihood.argmax() == comb]
        ranked = sorted(same, key=strength, reverse=True)
        counts = np.arange(1, len(ranked) + 1)
        effective = np.diff(counts / (1 + (counts - 1) * alike), prepend=0.0)
        logs += effective @ np.log(np.array(ranked))
    return np.asarray(np.exp(logs - logs.max()))


def strength(likelihood: Array) -> float:
    """Return how far a look goes beyond saying nothing: its largest over its mean, as logarithm."""
    return float(np.log(likelihood.max() / likelihood.mean()))
