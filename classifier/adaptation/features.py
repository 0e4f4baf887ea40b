"""Photos as the last layer sees them: the head as it is, and looked at askew.

A head looked at askew says nearly the same in other words, which keeps a layer that learns from
few dozen of them from learning the words by heart.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from classifier.adaptation.bank import bank_of
from classifier.adaptation.change import BIAS, WEIGHT
from classifier.adaptation.last_layer import Cases
from classifier.boxes import Box
from classifier.photo import Photo, head_view
from classifier.vocabulary import COMBS

if TYPE_CHECKING:
    from classifier.reader import Reader

Array = NDArray[np.float32]
ASKEW = 6
# How far a look askew goes: shift and size of the box, brightness and contrast of the picture.
# Shift and size are about those by which found boxes miss labelled ones.
SHIFT, SIZE, CONTRAST, LIGHT = 0.06, 0.12, 0.1, 0.15


def looks(reader: Reader, photo: Photo, box: Box, seed: str) -> Array:
    """Return pooled features (1 + ASKEW, 1280) of a head: first as `Reader.read` sees it.

    The first row is the mean of the head and its mirror image, as in a reading; the others are
    looks askew, the same for the same `seed`.
    """
    rng = np.random.default_rng(list(seed.encode()))
    card = reader.card
    boxes = [box, *(askew(box, rng) for _ in range(ASKEW))]
    batch = reader.batch([head_view(photo, b, card.context, card.size) for b in boxes])
    for i in range(1, len(batch)):
        if i % 2:
            batch[i] = batch[i, ..., ::-1]
        batch[i] = batch[i] * np.exp(rng.normal(0, CONTRAST)) + rng.normal(0, LIGHT)
    mirrored = np.ascontiguousarray(batch[:1, ..., ::-1])
    pooled = reader.networks.read(np.concatenate([batch, mirrored]))["pooled"]
    return np.concatenate([pooled[[0, -1]].mean(0, keepdims=True), pooled[1:-1]])


def cases_from(
    reader: Reader,
    features: NDArray[Any],
    labels: Sequence[str],
    birds: Sequence[str],
    groups: Sequence[str],
) -> Cases:
    """Return heads as the last layer of the shipped reader sees them, from `looks` of each.

    `features` is (n, looks, 1280); raises CardError if the reader has no bank.
    """
    seen = features.astype(np.float64)
    return Cases(
        bank_of(reader.card).place(seen),
        comb_logits(reader, seen),
        tuple(labels),
        tuple(birds),
        tuple(groups),
    )


def comb_logits(reader: Reader, features: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return calibrated logits (..., 6) of a reader's last layer on pooled features (..., 1280)."""
    tensors, card = reader.tensors(), reader.card
    count = len(COMBS)
    weight, bias = tensors[WEIGHT].astype(float)[:count], tensors[BIAS].astype(float)[:count]
    logits = (features @ weight.T + bias) / card.temperatures["comb"] + np.array(card.offsets)
    return np.asarray(logits)


def askew(box: Sequence[float], rng: np.random.Generator) -> Box:
    """Return a box that lies a little beside another and is a little larger or smaller."""
    x0, y0, x1, y1 = box
    side = max(x1 - x0, y1 - y0)
    dx, dy = rng.normal(0, SHIFT, 2) * side
    scale = float(np.exp(rng.normal(0, SIZE))) / 2
    x, y = (x0 + x1) / 2 + dx, (y0 + y1) / 2 + dy
    wide, high = (x1 - x0) * scale, (y1 - y0) * scale
    return float(x - wide), float(y - high), float(x + wide), float(y + high)
