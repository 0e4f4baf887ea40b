"""Flock lists of any length, CSV or Parquet: their rows by number, without a bird made of each."""

from __future__ import annotations

import csv
import io
import sys
from array import array
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any, Protocol

from genetics.messages import Place
from service.bulk.arrow import parquet
from service.bulk.parts import Kin, Rows
from service.errors import FlockError
from service.flock.csv_cells import fused
from service.flock.flock_csv import as_text, at_once, check_header, list_text, sound_rows

Cells = list[str]


class LongList(Protocol):
    """A list whose rows can be asked for by number, counted without empty ones."""

    name: str
    header: Cells

    def each(self) -> Iterator[tuple[int, Cells]]:
        """Yield all rows in order with their lines. Raises FlockError."""
        ...

    def some(self, rows: Rows) -> list[tuple[int, Cells]]:
        """Return rows by number with their lines."""
        ...


class CsvList:
    """A list as CSV, held as its text; where rows begin and which lines they have is found once."""

    def __init__(self, text: str, name: str) -> None:
        """Raise FlockError for a list without a header that can be used."""
        self.text, self.name = text, name
        self.starts, self.lines = array("q"), array("q")
        found = next(self._rows(), (0, 0, []))
        self.header = header_of(found[2], name)

    def _rows(self) -> Iterator[tuple[int, int, Cells]]:
        """Yield where each row begins, its line and its cells."""
        taken = 0

        def fed() -> Iterator[str]:
            nonlocal taken
            for line in io.StringIO(self.text, newline=""):
                taken += len(line)
                yield line

        reader = csv.reader(fed(), strict=True)
        start = 0
        try:
            for cells in reader:
                yield start, reader.line_num, [fused(cell.strip()) for cell in cells]
                start = taken
        except csv.Error as error:
            place = Place(self.name, reader.line_num)
            raise FlockError("not_csv", place=place, reason=str(error)) from None

    def each(self) -> Iterator[tuple[int, Cells]]:
        """Yield all rows in order with their lines. Raises FlockError."""
        self.starts, self.lines = array("q"), array("q")
        rows = self._rows()
        next(rows, None)
        for start, line, cells in rows:
            if any(cells):
                self.starts.append(start)
                self.lines.append(line)
                yield line, cells
        self.starts.append(len(self.text))

    def some(self, rows: Rows) -> list[tuple[int, Cells]]:
        """Return rows by number with their lines; `each` must have been read to its end."""
        numbers = rows.tolist()
        # A row ends where the next begins: empty ones between them give no cells.
        pieces = "".join(self.text[self.starts[i] : self.starts[i + 1]] for i in numbers)
        cells = (
            [fused(cell.strip()) for cell in row]
            for row in csv.reader(io.StringIO(pieces, newline=""), strict=True)
        )
        filled = (row for row in cells if any(row))
        return [(self.lines[i], row) for i, row in zip(numbers, filled, strict=True)]


class ParquetList:
    """A list as Parquet, with the columns of flock.csv; a row's line is that which CSV would give.

    Numbers, days and truth values count as what flock.csv would say.
    """

    def __init__(self, path: Path) -> None:
        """Raise FlockError for a file that isn't there or isn't Parquet."""
        self.name = str(path)
        reader, errors = parquet()
        try:
            self.table = reader.read_table(path)
        except FileNotFoundError:
            raise FlockError("no_such_file", place=Place(self.name)) from None
        except errors as error:
            reason = " ".join(str(error).split())[:120]
            raise FlockError("not_parquet", place=Place(self.name), reason=reason) from None
        self.header = header_of(self.table.column_names, self.name)

    def each(self) -> Iterator[tuple[int, Cells]]:
        """Yield all rows in order with their lines."""
        first = 0
        for batch in self.table.to_batches(max_chunksize=50_000):
            columns = [column.to_pylist() for column in batch.columns]
            for number, cells in enumerate(zip(*columns, strict=True), first):
                yield number + 2, [cell_of(value) for value in cells]
            first += batch.num_rows

    def some(self, rows: Rows) -> list[tuple[int, Cells]]:
        """Return rows by number with their lines."""
        columns = [column.to_pylist() for column in self.table.take(rows).columns]
        cells = ([cell_of(value) for value in row] for row in zip(*columns, strict=True))
        return [(number + 2, row) for number, row in zip(rows.tolist(), cells, strict=True)]


def header_of(cells: Sequence[str], name: str) -> Cells:
    """Return a header that can be used. Raises FlockError."""
    if not cells:
        raise FlockError("list_empty", place=Place(name))
    check_header(cells, name)
    return list(cells)


def cell_of(value: Any) -> str:
    """Return a value of a typed table as flock.csv would write it.

    >>> [cell_of(value) for value in (None, True, 17, " 4a ")]
    ['', 'yes', '17', '4a']
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return fused(str(value).strip())


def open_list(path: Path) -> LongList:
    """Open a list by its suffix: Parquet, else CSV; `-` is CSV from standard input.

    Raises FlockError.
    """
    if path.suffix.lower() == ".parquet":
        return ParquetList(path)
    if str(path) == "-":
        name = "standard input"
        return CsvList(as_text(sys.stdin.buffer.read(), name), name)
    return CsvList(list_text(path), str(path))


def kin_of(flock: LongList) -> Kin:
    """Read a list once for who hangs together. Raises FlockError, a band twice among others."""
    rows = sound_rows(flock.each(), flock.header, flock.name, at_once)
    said = [(cells["bird"], cells.get("sire", ""), cells.get("dam", "")) for _, cells in rows]
    kin = Kin([band for band, _, _ in said])
    for row, (_, *parents) in enumerate(said):
        for band in parents:
            kin.parents(row, band)
    return kin
