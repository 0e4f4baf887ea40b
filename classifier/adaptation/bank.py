"""What must not be forgotten: how the shipped reader sees heads of every comb, and what they are.

Of each head the bank keeps where it lies in the directions in which such heads differ most, and
the reader's own logits; no picture can be made of that. It is written by
`python -m classifier.training.bank`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray
from safetensors.numpy import load
from scipy.special import softmax

from classifier.card import Card, CardError
from classifier.vocabulary import ALLOWED, COMBS

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Bank:
    """Heads as the shipped reader sees them."""

    middle: Array
    """(1280,) what is taken from pooled features first."""
    axes: Array
    """(k, 1280) the whitened directions."""
    directions: Array
    """(n, k)"""
    logits: Array
    """(n, 6) calibrated."""
    labels: tuple[str, ...]
    guard: NDArray[np.bool_]
    """(n,) which heads are never learned from, but watched."""

    def place(self, features: Array) -> Array:
        """Return pooled features (n, 1280) in the directions of the bank (n, k)."""
        return np.asarray((features - self.middle) @ self.axes.T)

    @property
    def chances(self) -> Array:
        """What the shipped reader says of each head (n, 6)."""
        return np.asarray(softmax(self.logits, axis=1))

    def part(self, guard: bool) -> Bank:
        """Return the heads that are watched, or those that are rehearsed."""
        chosen = np.flatnonzero(self.guard == guard)
        return Bank(
            self.middle,
            self.axes,
            self.directions[chosen],
            self.logits[chosen],
            tuple(self.labels[i] for i in chosen),
            self.guard[chosen],
        )


def allowed_of(labels: tuple[str, ...] | list[str]) -> Array:
    """Return which combs each label allows (n, 6), 0 or 1."""
    return np.array([[float(comb in ALLOWED[label]) for comb in COMBS] for label in labels])


@cache
def shipped_bank(weights: str) -> Bank:
    """Return the bank of the weights with that SHA-256. Raises CardError if it is of others."""
    folder = resources.files("classifier").joinpath("bank")
    known = json.loads(folder.joinpath("bank.json").read_text(encoding="utf-8"))
    if known["weights"] != weights:
        raise CardError("bank_of_other_weights")
    heads = load(folder.joinpath("heads.safetensors").read_bytes())
    kept = {name: value.astype(np.float64) for name, value in heads.items()}
    return Bank(
        kept["middle"],
        kept["axes"],
        kept["directions"] * kept["scale"],
        kept["logits"],
        tuple(known["labels"][int(code)] for code in kept["label"]),
        kept["guard"] > 0,
    )


def bank_of(card: Card) -> Bank:
    """Return the bank that belongs to a card's weights. Raises CardError if there is none."""
    return shipped_bank(card.document["weights"]["sha256"])
