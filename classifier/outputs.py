"""What the two networks give and what it means, without the library that runs them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from classifier.boxes import iou
from classifier.vocabulary import COARSE, COMBS, WATTLES

Array = NDArray[np.float32]

# Logits of the reader by head, in the order in which they leave the network.
HEADS = {
    "comb": len(COMBS),
    "none": 1,
    "readable": 1,
    "crest": 1,
    "beard": 1,
    "wattles": len(WATTLES),
    "young": 1,
    "frontal": 1,
}
# All that the reader gives: the logits, masks of comb and wattles, and the features behind them.
GIVEN = (*HEADS, "masks", "pooled")
STRIDE = 8
# Weight of covered places in the loss of the masks.
MASK_WEIGHT = 3.0
# Added to a share of the wattles before errors are taken relative to it, so that small ones aren't
# too strict.
SHARE_FLOOR = 0.02
SAME = 0.4  # two boxes that overlap by more (IoU) are of one head


def coarse_chances(combs: NDArray[np.float64]) -> NDArray[np.float64]:
    """Chances (..., 4) of the coarse combs, in the order of COARSE, from those of the six."""
    columns = [[COMBS.index(c) for c in members] for members in COARSE.values()]
    return np.stack([combs[..., some].sum(-1) for some in columns], -1)


def wattle_share(masks: NDArray[Any], context: float) -> NDArray[np.float64]:
    """Area of the wattles (n,) over that of the square round the head, from logits of masks.

    `masks` (n, 2, m, m) cover a view `context` times as wide as that square. What their loss gave
    to places that are covered, MASK_WEIGHT times as much, is taken back from the chances.
    """
    chances = expit(masks[:, 1].astype(np.float64) - math.log(MASK_WEIGHT))
    return np.asarray(chances.mean((1, 2)) * context**2)


def box_at(sides: Array, row: int, column: int) -> list[float]:
    """Return the box (pixels of the finder's input) that a cell of sides (4, h, w) speaks of."""
    left, up, right, down = (sides[:, row, column].astype(np.float64) * STRIDE).tolist()
    x, y = (column + 0.5) * STRIDE, (row + 0.5) * STRIDE
    return [x - left, y - up, x + right, y + down]


def peaks(heat: Array, sides: Array) -> list[tuple[float, list[float]]]:
    """Score and box (pixels of the finder's input) of the highest cell of each picture.

    `heat` (n, h, w) are logits, `sides` (n, 4, h, w) distances from a cell's middle in strides.
    """
    answers = []
    for logits, reach in zip(heat, sides, strict=True):
        row, column = divmod(int(logits.argmax()), logits.shape[1])
        answers.append((float(expit(logits[row, column])), box_at(reach, row, column)))
    return answers


def all_peaks(heat: Array, sides: Array, least: float) -> list[tuple[float, list[float]]]:
    """Scores and boxes of all heads of one picture (h, w), (4, h, w), the surest first.

    Boxes that overlap a surer one by more than 0.4 (IoU) are dropped.
    """
    chances = expit(heat.astype(np.float64))
    rows, columns = np.nonzero(chances >= least)
    kept: list[tuple[float, list[float]]] = []
    for i in np.argsort(-chances[rows, columns], kind="stable").tolist():
        box = box_at(sides, int(rows[i]), int(columns[i]))
        if all(iou(box, other) <= SAME for _, other in kept):
            kept.append((float(chances[rows[i], columns[i]]), box))
    return kept
