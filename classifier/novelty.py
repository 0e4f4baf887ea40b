"""How unlike a head is to those that the reader was trained on, by its pooled features.

The distance is Mahalanobis' in the directions in which training heads vary most. Lee et al. 2018,
A simple unified framework for detecting out-of-distribution samples (from memory), without its
classes.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
DIRECTIONS = 48
PREFIX = "novelty."


def fit(features: Array) -> dict[str, Array]:
    """Return what `distance` needs of training features (n, k): `novelty.middle` and `.axes`."""
    middle = features.mean(0)
    count = min(DIRECTIONS, len(features) - 1, features.shape[1])
    _, spread, axes = np.linalg.svd(features - middle, full_matrices=False)
    scale = np.maximum(spread[:count] / max(1, len(features) - 1) ** 0.5, 1e-4)
    return {
        PREFIX + "middle": middle.astype(np.float32),
        PREFIX + "axes": np.ascontiguousarray(axes[:count] / scale[:, None], np.float32),
    }


def distance(features: Array, manner: Mapping[str, Array]) -> Array:
    """Return root mean square distances (n,) of features (n, k): about 1 for usual heads."""
    # Row by row: BLAS rounds a row of a product by how many others there are, and a photo should
    # read the same whoever its neighbours are.
    axes, middle = manner[PREFIX + "axes"], manner[PREFIX + "middle"]
    moved = np.stack([axes @ (row - middle) for row in features])
    return np.asarray(np.sqrt(np.square(moved).mean(1)), np.float32)
