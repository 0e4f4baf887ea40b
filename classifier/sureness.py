"""How often readings like one are wrong: what sureness has been earned, and why if it hasn't.

A logistic model of mistakes that the reader made on heads it was not trained on. It knows what
the reader says of the head and what lies in the photograph: age, view, size, blur, light, and how
unlike the head is to those of the training. Its numbers are in the card, fitted by
`classifier.training.mistakes`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from classifier.messages import Doubt
from classifier.outputs import coarse_chances
from classifier.quality import Quality
from classifier.vocabulary import COMBS, coarse_of

# Conditions of the photograph that may be named as the reason; the others are what was read.
CONDITIONS = ("young", "frontal", "small", "blurred", "dark", "unlike")
FEATURES = ("doubt", "none", "hidden", "crest", *CONDITIONS, "rose", "pea", "walnut")
CODES = {
    "": "unearned",
    "young": "unearned_young",
    "frontal": "unearned_frontal",
    "small": "unearned_small",
    "blurred": "unearned_blurred",
    "dark": "unearned_dark",
    "unlike": "unearned_unlike",
}
NAMED_FROM = 0.25  # a condition that adds less to the log odds of a mistake isn't named
EDGE = 1e-4


@dataclass(frozen=True)
class Mistake:
    """Chance that a reading is wrong, and the condition that adds most to it, if one does."""

    chance: float
    reason: str
    earned: bool
    """Whether readings like it are right often enough to be settled."""

    @property
    def doubt(self) -> Doubt | None:
        """What is to be said of it; None where the sureness is earned."""
        if self.earned:
            return None
        return Doubt(CODES[self.reason], chance=self.chance)


def described(
    comb: NDArray[np.float64], chances: Mapping[str, float], quality: Quality, unlike: float
) -> NDArray[np.float64]:
    """Return the numbers (k,) of a reading in the order of FEATURES.

    `chances` has none, readable, crest, young and frontal.
    """
    best = coarse_of(COMBS[int(np.argmax(comb))])

    def odds(chance: float) -> float:
        return float(logit(np.clip(chance, EDGE, 1 - EDGE)))

    return np.array(
        [
            odds(1 - float(coarse_chances(comb).max())),
            odds(chances["none"]),
            odds(1 - chances["readable"]),
            chances["crest"],
            chances["young"],
            chances["frontal"],
            -np.log(np.clip(quality.pixels, 20, 400) / 100),
            -np.log(np.clip(quality.sharpness, 0.02, 2)),
            -np.clip(quality.bright, 20, 255) / 64,
            np.log(np.clip(unlike, 0.2, 20)),
            best == "rose",
            best == "pea",
            best == "walnut",
        ],
        float,
    )


def weighed(model: Mapping[str, Any] | None, features: NDArray[np.float64]) -> Mistake | None:
    """Chance of a mistake by the card's model; None where the card has none."""
    if not model:
        return None
    usual = (features - np.array(model["middle"])) / np.array(model["scale"])
    parts = usual * np.array(model["weights"])
    chance = float(expit(parts.sum() + model["bias"]))
    adds = {name: float(parts[FEATURES.index(name)]) for name in CONDITIONS}
    most = max(adds, key=adds.__getitem__)
    reason = most if adds[most] >= NAMED_FROM else ""
    return Mistake(chance, reason, chance <= model["limit"])
