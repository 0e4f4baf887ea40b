"""The card that comes with the weights: everything the reader needs to use them."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from classifier.errors import ClassifierError
from classifier.vocabulary import COMBS

SHIPPED = Path(__file__).parent / "weights"
WEIGHTS, CARD = "reader.safetensors", "card.json"


class CardError(ClassifierError):
    """Weights or a card that can't be used; the message says which file and why."""


@dataclass(frozen=True)
class Card:
    """Preprocessing, class order, calibration and scores of one set of weights."""

    model: str
    size: int
    context: float
    mean: float
    std: float
    finder_size: int
    classes: tuple[str, ...]
    prior: tuple[float, ...]
    temperatures: dict[str, float]
    """Divide the logits of each head of the network by these."""
    offsets: tuple[float, ...]
    """Added to the comb logits after that."""
    set_thresholds: dict[str, float]
    """A comb belongs to the plausible set if its probability is at least this."""
    wattle_error: float | None
    """Conformal limit of the relative error of the wattles' share, see `calibration`."""
    mistakes: dict[str, Any] | None
    """Model of the reader's mistakes, see `sureness`; None for weights that came without one."""
    document: dict[str, Any]
    """The whole card, with data, licences and scores."""


def load_card(folder: Path = SHIPPED) -> Card:
    """Read a card and check that it belongs to the weights beside it.

    Raises CardError if a file is missing, isn't what it should be or doesn't match.
    """
    path = folder / CARD
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise CardError("card_missing", place=path) from None
    except json.JSONDecodeError as error:
        raise CardError("card_not_json", place=path, reason=str(error)) from None
    try:
        use = document["use"]
        card = Card(
            document["model"],
            int(use["size"]),
            float(use["context"]),
            float(use["mean"]),
            float(use["std"]),
            int(use["finder_size"]),
            tuple(use["classes"]),
            tuple(float(v) for v in use["prior"]),
            {k: float(v) for k, v in use["temperatures"].items()},
            tuple(float(v) for v in use["offsets"]),
            {k: float(v) for k, v in use["set_thresholds"].items()},
            use["wattle_error"],
            use.get("mistakes"),
            document,
        )
    except KeyError as error:
        raise CardError("card_lacks", place=path, key=error) from None
    if card.classes != COMBS:
        raise CardError("card_other_classes", place=path, classes=card.classes, known=COMBS)
    return card


def fingerprint(path: Path) -> str:
    """SHA-256 of a file, in hex."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        for block in iter(lambda: file.read(1 << 20), b""):
            digest.update(block)
    return digest.hexdigest()
