"""Tables of predictions as they were written, read without PyTorch."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from classifier.outputs import HEADS


def logits_of(rows: Sequence[dict[str, str]], head: str) -> NDArray[np.float64]:
    """Logits (n, k) of a head from rows of such a table."""
    count = HEADS[head]
    return np.array([[float(r[f"{head}{i}"]) for i in range(count)] for r in rows]).reshape(
        -1, count
    )
