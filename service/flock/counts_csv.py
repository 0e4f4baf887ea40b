"""Chicks counted by comb without bands: a CSV with columns sire, dam, comb, chicks."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from genetics.counts import CountError, check_counts
from genetics.evidence import SAID
from genetics.messages import Place
from service.errors import FlockError
from service.flock.flock_csv import Flock, complain

COLUMNS = ("sire", "dam", "comb", "chicks")


@dataclass(frozen=True)
class Counted:
    """Chicks of one mating by comb word; parents are rows of the flock."""

    sire: int
    dam: int
    chicks: dict[str, int]


@dataclass(frozen=True)
class CountedRow:
    """One row of the list, not looked at yet."""

    line: int
    cells: dict[str, str]


def load_counted(path: Path, flock: Flock) -> tuple[Counted, ...]:
    """Read counts from disk. Raises FlockError with line, column and value."""
    return counted_of(load_count_rows(path), flock, str(path))


def load_count_rows(path: Path) -> list[CountedRow]:
    """Read the rows of a list of counts from disk. Raises FlockError."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise FlockError("no_such_file", place=Place(str(path))) from None
    except UnicodeDecodeError:
        raise FlockError("not_utf8", place=Place(str(path))) from None
    return parse_count_rows(text, str(path))


def parse_counted(text: str, flock: Flock, name: str = "counts.csv") -> tuple[Counted, ...]:
    """Read counts from their text; several rows of one mating belong together."""
    return counted_of(parse_count_rows(text, name), flock, name)


def parse_count_rows(text: str, name: str) -> list[CountedRow]:
    """Return the rows of a list of counts. Raises FlockError for a missing column."""
    reader = csv.DictReader(io.StringIO(text, newline=""))
    missing = [c for c in COLUMNS if c not in (reader.fieldnames or ())]
    if missing:
        raise FlockError(
            "column_missing", place=Place(str(name), 1), column=missing[0], needed=tuple(COLUMNS)
        )
    return [
        CountedRow(reader.line_num, {c: (row[c] or "").strip() for c in COLUMNS}) for row in reader
    ]


def counted_of(rows: Iterable[CountedRow], flock: Flock, name: str) -> tuple[Counted, ...]:
    """Return counts by mating; several rows of one mating belong together. Raises FlockError."""
    place = {bird.bird: i for i, bird in enumerate(flock.birds)}
    found: dict[tuple[int, int], dict[str, int]] = {}
    first: dict[tuple[int, int], int] = {}
    for row in rows:
        line, cells = row.line, row.cells
        parents = []
        for column, sex in (("sire", "cock"), ("dam", "hen")):
            band = cells[column]
            if band not in place:
                raise complain(name, line, column, band, "no_row_of_its_own")
            parents.append(place[band])
            if flock.birds[parents[-1]].sex not in ("", sex):
                wrong = flock.birds[parents[-1]].sex
                raise complain(name, line, column, band, "recorded_as_other", sex=wrong)
        if parents[0] == parents[1]:
            raise complain(name, line, "dam", cells["dam"], "is_also_the_sire")
        if cells["comb"] not in SAID:
            raise complain(name, line, "comb", cells["comb"], "none_of_words", known=tuple(SAID))
        if not cells["chicks"].isdecimal():
            raise complain(name, line, "chicks", cells["chicks"], "not_whole_number")
        mating = (parents[0], parents[1])
        chicks = found.setdefault(mating, {})
        first.setdefault(mating, line)
        if cells["comb"] in chicks:
            raise complain(name, line, "comb", cells["comb"], "counted_twice")
        chicks[cells["comb"]] = int(cells["chicks"])
    for mating, chicks in found.items():
        try:
            check_counts(chicks)
        except CountError as error:
            raise FlockError(error.code, place=Place(name, first[mating]), **error.values) from None
    return tuple(Counted(s, d, chicks) for (s, d), chicks in found.items())
