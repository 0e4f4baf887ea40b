"""The reader in service: loaded once, with torch imported only when it is needed."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from classifier.reader import Reader


def default_reader(folder: Path | None = None) -> Reader:
    """Return the reader of a folder of weights, or the shipped one."""
    from classifier.card import SHIPPED

    return loaded(folder or SHIPPED)


@cache
def loaded(folder: Path) -> Reader:
    """Return the reader of a folder of weights, loaded once."""
    from classifier.reader import Reader

    return Reader(folder)


def training_prior() -> tuple[float, ...]:
    """Return the prior of the shipped reader, from its card: no network is loaded."""
    from classifier.card import load_card

    return tuple(load_card().prior)
