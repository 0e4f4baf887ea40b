"""A list as it came: rows of text with their lines, and the row that heads them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from service.records.exchange.words import headings, plain_word
from service.wording.sentences import Message

TITLES = 20  # rows above the headings: a title, the breeder's name, a date


@dataclass(frozen=True)
class Sheet:
    """A table from elsewhere."""

    name: str
    rows: tuple[tuple[str, ...], ...]
    """All rows that hold anything, those above the headings too."""
    lines: tuple[int, ...]
    """Where each row stands in the file, from 1."""
    note: Message | None = None
    """What is worth saying of how it was read."""

    @cached_property
    def head(self) -> int:
        """Place of the row with the headings: the first of those that know most of our columns."""
        known = {word for words in headings().values() for word in words}
        best, most = 0, 0
        for place, row in enumerate(self.rows[:TITLES]):
            count = sum(plain_word(cell) in known for cell in row if plain_word(cell))
            if count > most:
                best, most = place, count
        return best

    @property
    def headings(self) -> tuple[str, ...]:
        """The row that names the columns."""
        return self.rows[self.head] if self.rows else ()

    @property
    def body(self) -> list[tuple[int, tuple[str, ...]]]:
        """Rows below the headings with their lines."""
        first = self.head + 1
        return list(zip(self.lines[first:], self.rows[first:], strict=True))

    def column(self, heading: str) -> list[str]:
        """Return the cells below a heading."""
        place = self.headings.index(heading)
        return [row[place] for _, row in self.body if place < len(row)]


def sheet_of_rows(
    rows: Sequence[Sequence[str]],
    name: str,
    lines: Sequence[int] | None = None,
    note: Message | None = None,
) -> Sheet:
    """Return a table of rows as they stand in a file; empty ones are left out."""
    numbers = lines or range(1, len(rows) + 1)
    kept = [
        (line, tuple(cell.strip() for cell in row))
        for line, row in zip(numbers, rows, strict=True)
        if any(cell.strip() for cell in row)
    ]
    return Sheet(name, tuple(row for _, row in kept), tuple(line for line, _ in kept), note)
