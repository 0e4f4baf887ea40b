"""How often readings like this one were wrong on photographs that nothing was trained on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from scipy.stats import binomtest

from classifier.reading import Reading
from classifier.vocabulary import COARSE, COMBS
from service.wording.sentences import Message

SPLIT = "photographs, split check, given boxes of 40 px or more"
ENOUGH = 10  # readings to compare with; where there are fewer, more kinds count as alike

Cell = dict[str, Any]


@dataclass(frozen=True)
class Wrong:
    """Held-out readings like this: how many, how many of them were something else."""

    like: Message
    """What makes them alike."""
    wrong: int
    of: int
    low: float
    """95 % interval (Wilson 1927) of the share that is wrong."""
    high: float

    @property
    def in_hundred(self) -> int:
        """Wrong ones of a hundred, rounded."""
        return round(100 * self.wrong / self.of)


def wrong_like_this(card: dict[str, Any], reading: Reading) -> Wrong | None:
    """Compare a photo's reading with those of the same comb, pile and confidence.

    Where these are too few, confidence and then the pile are no matter, and what is compared says
    so. `card` is the model's card; None if it has no scores on photographs.
    """
    cells: list[Cell] = card.get("scores", {}).get(SPLIT, {}).get("read_as", [])
    chances = {
        group: sum(reading.comb[COMBS.index(c)] for c in combs) for group, combs in COARSE.items()
    }
    comb = max(chances, key=chances.__getitem__)
    sure = chances[comb]

    def same_comb(cell: Cell) -> bool:
        return bool(cell["comb"] == comb)

    def same_pile(cell: Cell) -> bool:
        return same_comb(cell) and cell["pile"] == reading.pile

    def as_sure(cell: Cell) -> bool:
        low, high = cell["confidence"]
        return same_pile(cell) and low <= sure and (sure < high or high >= 1)

    settled = "settled" if reading.pile == "settled" else "open"
    ways: list[tuple[str, Callable[[Cell], bool]]] = [
        (f"alike_sure_{settled}", as_sure),
        (f"alike_{settled}", same_pile),
        ("alike_comb", same_comb),
        ("alike_all", bool),
    ]
    for code, alike in ways:
        some = [cell for cell in cells if alike(cell)]
        of = sum(cell["count"] for cell in some)
        if of >= ENOUGH or (code == "alike_all" and of):
            like = Message(code) if code == "alike_all" else Message(code, comb=comb)
            return with_interval(like, sum(cell["wrong"] for cell in some), of)
    return None


def with_interval(like: Message, wrong: int, of: int) -> Wrong:
    """Return the share that is wrong, with its interval.

    >>> with_interval(Message("alike_all"), 4, 93).in_hundred
    4
    """
    interval = binomtest(wrong, of).proportion_ci(0.95, method="wilson")
    return Wrong(like, wrong, of, float(interval.low), float(interval.high))
