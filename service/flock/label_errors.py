"""Looks that may be slips: the reader, which never saw these labels, is confidently against them.

Confident learning (Northcutt, Jiang and Chuang 2021): how sure the reader is of a comb, on average,
on photos that people say have it, is what it takes to count as confident of that comb.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def confident_disagreements(chances: Array, labels: Sequence[int]) -> list[int]:
    """Return the cases whose label the reader confidently denies, the least likely label first.

    `chances` (n, k) are the reader's, `labels` (n,) what people say. A class without a label has no
    threshold, and nobody is confident of it.

    >>> chances = np.array([[0.9, 0.1], [0.8, 0.2], [0.1, 0.9], [0.85, 0.15]])
    >>> confident_disagreements(chances, [0, 0, 1, 1])
    [3]
    """
    given = np.asarray(labels, int)
    if not len(given):
        return []
    thresholds = np.array(
        [
            chances[given == k, k].mean() if (given == k).any() else np.inf
            for k in range(chances.shape[1])
        ]
    )
    confident = np.where(chances >= thresholds - 1e-12, chances, -1.0)
    best = confident.argmax(1)
    denied = (confident.max(1) > 0) & (best != given)
    own = chances[np.arange(len(given)), given]
    return sorted(np.flatnonzero(denied).tolist(), key=lambda i: (own[i], i))
