"""How alike the mistakes at several photos of one bird are: what a further photo is worth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from classifier.calibration import Array, bootstrap
from classifier.outputs import coarse_chances
from classifier.reading import Reading
from classifier.training.datasets import Sample
from classifier.vocabulary import COARSE, COMBS, coarse_of

# The second of each pair: `-1` of the same moment, `-2` another view (`heads --shots 3`).
KINDS = {"same moment": "1", "another view": "2"}
LEAST = 1e-3
# How several photos are joined, for the card; the code is in genetics/looks.py and
# service/flock/assessment.py.
RULE = (
    "Photos of one moment from one side count as one look but for what their correlation leaves "
    "to each; another side counts by its own correlation. A view has earned its sureness if half "
    "of its photos have."
)


def pair_scores(samples: Sequence[Sample], readings: Sequence[Reading]) -> dict[str, Any]:
    """Correlation of what two readings of one bird say beside the truth, by kind of pair.

    Of each reading the logarithm of the chance of the true coarse comb is taken, less the mean of
    its comb. Pairs of which either can't be read are left out. Intervals by bootstrap of birds.
    """
    by_name = {s.path.stem: (s, r) for s, r in zip(samples, readings, strict=True)}
    found: dict[str, Any] = {}
    for kind, ending in KINDS.items():
        pairs = [
            (by_name[name], by_name[f"{name}-{ending}"])
            for name in by_name
            if f"{name}-{ending}" in by_name
        ]
        pairs = [p for p in pairs if all(s.label in COMBS for s, _ in p)]
        if len(pairs) < 3:
            continue
        labels = np.array([str(coarse_of(a[0].label)) for a, _ in pairs])
        first, second = (np.array([said(*pair[k]) for pair in pairs]) for k in (0, 1))
        for group in set(labels):
            for values in (first, second):
                values[labels == group] -= values[labels == group].mean()
        names = [a[0].group for a, _ in pairs]

        def alike(at: Any, a: Array = first, b: Array = second) -> float:
            return float(np.corrcoef(a[at], b[at])[0, 1])

        wrong = [[coarse_of(r.best) != coarse_of(s.label) for s, r in pair] for pair in pairs]
        same = [pair[0][1].best == pair[1][1].best for pair in pairs]
        found[kind] = {
            "pairs": len(pairs),
            "correlation": round(alike(np.arange(len(pairs))), 4),
            "correlation_95": [round(v, 4) for v in bootstrap(names, alike)],
            "first_wrong": sum(a for a, _ in wrong),
            "both_wrong": sum(a and b for a, b in wrong),
            "both_wrong_alike": sum(a and b and s for (a, b), s in zip(wrong, same, strict=True)),
        }
    return found


def said(sample: Sample, reading: Reading) -> float:
    """Logarithm of the chance that a reading gives to the true coarse comb."""
    place = list(COARSE).index(str(coarse_of(sample.label)))
    share = float(coarse_chances(np.array(reading.comb))[place])
    return float(np.log(max(share, LEAST)))
