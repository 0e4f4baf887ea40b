"""A change of a reader's last layer, worn over the shipped weights.

The change is small: a matrix over the directions in which the bank's heads differ, and offsets.
It belongs to one version of the weights and says so.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from classifier.adaptation.bank import Bank
from classifier.card import Card, CardError
from classifier.vocabulary import COMBS

Array = NDArray[np.float64]
WEIGHT, BIAS = "reader.last.weight", "reader.last.bias"
MARK = "."  # between the name of the shipped weights and that of what was learned


@dataclass(frozen=True, eq=False)
class Change:
    """What is added to the calibrated logits of the combs: `matrix` @ directions + `offsets`."""

    matrix: Array
    """(6, k), over the k whitened directions of the bank."""
    offsets: Array
    """(6,)"""
    temperature: float = 1.0
    """By which the changed logits are divided."""

    def logits(self, directions: Array, logits: Array) -> Array:
        """Return calibrated logits (n, 6) as changed; `directions` is (n, k)."""
        return (logits + directions @ self.matrix.T + self.offsets) / self.temperature

    def as_data(self) -> dict[str, Any]:
        """As it is kept: numbers of seven digits."""
        return {
            "matrix": [[float(f"{v:.7g}") for v in row] for row in self.matrix.tolist()],
            "offsets": [float(f"{v:.7g}") for v in self.offsets.tolist()],
            "temperature": float(f"{self.temperature:.7g}"),
        }

    @staticmethod
    def from_data(kept: Mapping[str, Any]) -> Change:
        """Return a change as it was kept. Raises CardError if it isn't one."""
        try:
            found = Change(
                np.array(kept["matrix"], float),
                np.array(kept["offsets"], float),
                float(kept["temperature"]),
            )
        except (KeyError, TypeError, ValueError):
            raise CardError("change_damaged") from None
        sound = found.matrix.ndim == 2 and found.offsets.shape == (len(COMBS),)
        whole = sound and len(found.matrix) == len(COMBS) and found.temperature > 0
        if not (whole and np.isfinite(found.matrix).all() and np.isfinite(found.offsets).all()):
            raise CardError("change_damaged")
        return found

    @property
    def name(self) -> str:
        """Six hexadecimal digits that tell this change from others."""
        words = json.dumps(self.as_data(), sort_keys=True)
        return hashlib.sha256(words.encode()).hexdigest()[:6]


def changed_card(card: Card, change: Change) -> Card:
    """Return the card of a reader that wears a change: its own name, its own temperature."""
    scale = card.temperatures["comb"] * change.temperature
    offsets = tuple(v / change.temperature for v in card.offsets)
    return replace(
        card,
        model=f"{card.model}{MARK}{change.name}",
        temperatures={**card.temperatures, "comb": scale},
        offsets=offsets,
    )


def changed_tensors(
    tensors: Mapping[str, NDArray[Any]], card: Card, change: Change, bank: Bank
) -> dict[str, NDArray[Any]]:
    """Return weights with the change in their last layer; `card` is that of the shipped ones.

    Raises CardError if the change is of other directions than the bank's.
    """
    if change.matrix.shape[1] != len(bank.axes):
        raise CardError("change_damaged")
    # Logits are divided by the temperature after the layer, so the change is multiplied by it.
    scale, count = card.temperatures["comb"], len(COMBS)
    weight = tensors[WEIGHT].astype(np.float32)
    bias = tensors[BIAS].astype(np.float32)
    weight[:count] += scale * change.matrix @ bank.axes
    bias[:count] += scale * (change.offsets - change.matrix @ (bank.axes @ bank.middle))
    return {**tensors, WEIGHT: weight, BIAS: bias}
