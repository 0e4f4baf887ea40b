"""flock.csv: one row a bird, read in full or refused with line, column and value."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from genetics.errors import PedigreeError
from genetics.evidence import SAID, WATTLE_WORDS
from genetics.genotype import GenotypeError, possible
from genetics.messages import Place
from genetics.numbers import toml
from genetics.pedigree import CandidateParents, check
from service.errors import FlockError
from service.flock.csv_cells import fused

COLUMNS = (
    "bird",
    "sire",
    "dam",
    "sex",
    "hatched",
    "comb",
    "comb_by",
    "crest",
    "beard",
    "wattles",
    "genotype",
    "photo",
    "notes",
)

MOST_COLUMNS = 500
FIRST_YEAR, LAST_YEAR = 1900, 2200  # of any day in a list or in the records
OR = " or "  # between possible parents


@dataclass(frozen=True, slots=True)
class Bird:
    """One row of flock.csv. Empty cells are empty strings or None."""

    bird: str
    sire: str = ""
    dam: str = ""
    sex: str = ""
    hatched: date | None = None
    comb: str = ""
    comb_by: str = ""
    crest: bool | None = None
    beard: bool | None = None
    wattles: str = ""
    wattles_on: date | None = None
    """Day on which the wattles were seen, where that is known; no column of flock.csv."""
    genotype: str = ""
    photos: tuple[str, ...] = ()
    notes: str = ""
    line: int = 0
    extra: dict[str, str] = field(default_factory=dict)

    def age_weeks(self, on: date | None) -> float | None:
        """Age on a day in weeks, or None if either date is unknown."""
        if self.hatched is None or on is None:
            return None
        return (on - self.hatched).days / 7


@dataclass(frozen=True)
class Flock:
    """All birds, in the order of the file, with their parents as rows (-1 unknown)."""

    birds: tuple[Bird, ...]
    sire: tuple[int, ...]
    dam: tuple[int, ...]
    candidate_parents: dict[int, CandidateParents] = field(default_factory=dict)
    """By row, parents that are one of several: '12 or 14' in the list."""
    columns: tuple[str, ...] = COLUMNS
    """Columns that the list has: what it doesn't have, it says nothing about."""
    listed: int | None = None
    """How many of the birds, the first ones, are on the list itself; None for all."""

    def row(self, name: str) -> int:
        """Row of a bird by its band; KeyError if there is none."""
        for i, bird in enumerate(self.birds):
            if bird.bird == name:
                return i
        raise KeyError(name)


Told = Callable[[FlockError], None]


def at_once(error: FlockError) -> None:
    """Refuse a list at its first mistake; who gathers all of them is told of each instead."""
    raise error


def complain(
    path: str, line: int, column: str, value: str, code: str, /, of: str = "", **values: Any
) -> FlockError:
    """Return the error for a cell of a list.

    Birds on record have no line, so it names the bird `of`.
    """
    place = Place(path, line, column) if line else Place(path, column=column, bird=of)
    return FlockError(code, place=place, value=value, **values)


def load_flock(path: Path) -> Flock:
    """Read flock.csv from disk. Raises FlockError; nothing is half read."""
    return parse_flock(list_text(path), str(path))


def list_text(path: Path) -> str:
    """Return a list's text from disk. Raises FlockError."""
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise FlockError("no_such_file", place=Place(str(path))) from None
    except IsADirectoryError:
        raise FlockError("is_a_folder", place=Place(str(path))) from None
    return as_text(raw, str(path))


def as_text(raw: bytes, name: str) -> str:
    """Return a list's bytes as text. Raises FlockError with the line that isn't UTF-8."""
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise FlockError(
            "byte_not_utf8", place=Place(str(name), line), byte=raw[error.start]
        ) from None


@dataclass(frozen=True)
class Listed:
    """Rows of a list, each read by itself; whether they fit each other isn't known yet."""

    birds: tuple[Bird, ...]
    columns: tuple[str, ...]


def parse_flock(text: str, name: str = "flock.csv", beside: Sequence[Bird] = ()) -> Flock:
    """Read a flock list from its text; parents may also be `beside` it, among birds kept before.

    Those that aren't on the list come behind it in the flock.
    """
    return connect_list(parse_rows(text, name), name, beside)


def connect_list(
    listed: Listed, name: str, beside: Sequence[Bird] = (), told: Told = at_once
) -> Flock:
    """Return a list's birds and those `beside` it as a flock. Raises FlockError, or has it told."""
    bands = {bird.bird for bird in listed.birds}
    others = [bird for bird in beside if bird.bird not in bands]
    flock = connect_parents([*listed.birds, *others], name, told)
    return replace(flock, columns=listed.columns, listed=len(listed.birds))


def parse_rows(text: str, name: str = "flock.csv") -> Listed:
    """Read the rows of a flock list, each by itself. Raises FlockError."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows = ((reader.line_num, [fused(cell.strip()) for cell in row]) for row in reader)
    try:
        return listed_of(rows, name)
    except csv.Error as error:
        raise FlockError("not_csv", place=Place(name, reader.line_num), reason=str(error)) from None


def listed_of(
    rows: Iterable[tuple[int, Sequence[str]]],
    name: str,
    told: Told = at_once,
) -> Listed:
    """Return the birds of a table, whose rows come with their lines.

    Raises FlockError, or has each mistake of a row told and leaves that cell or row out.
    """
    each = iter(rows)
    header = [cell.strip() for cell in next(each, (0, ()))[1]]
    if not header:
        raise FlockError("list_empty", place=Place(str(name)))
    check_header(header, name)
    birds = [
        parse_bird(cells, line, name, told) for line, cells in sound_rows(each, header, name, told)
    ]
    return Listed(tuple(birds), tuple(cell for cell in header if cell))


def sound_rows(
    rows: Iterable[tuple[int, Sequence[str]]], header: Sequence[str], name: str, told: Told
) -> Iterator[tuple[int, dict[str, str]]]:
    """Yield rows below a header that have a cell a column and a band of their own, by heading.

    Empty rows are passed over, others told and left out. Raises FlockError if `told` does.
    """
    unnamed = [i for i, cell in enumerate(header) if not cell]
    lines: dict[str, int] = {}
    for line, row in rows:
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(header):
            number, columns = len(row), len(header)
            place = Place(str(name), line)
            told(FlockError("cells_and_columns", place=place, cells=number, columns=columns))
            continue
        for i in unnamed:
            if row[i].strip():
                told(FlockError("column_without_heading", place=Place(name, line), number=i + 1))
        cells = dict(zip(header, (c.strip() for c in row), strict=True))
        cells.pop("", None)
        band = cells["bird"]
        if not band:
            told(complain(name, line, "bird", "", "band_empty"))
        elif band in lines:
            told(complain(name, line, "bird", band, "already_on_line", first=lines[band]))
        else:
            lines[band] = line
            yield line, cells


def check_header(header: Sequence[str], name: str) -> None:
    """Refuse a header without a bird, with a name twice, or far too long. Raises FlockError."""
    if len(header) > MOST_COLUMNS:
        number = len(header)
        raise FlockError("too_many_columns", place=Place(name, 1), number=number, most=MOST_COLUMNS)
    if "bird" not in header:
        raise FlockError("no_bird_column", place=Place(str(name), 1), known=tuple(header))
    seen: set[str] = set()
    for cell in header:
        if cell and cell in seen:
            raise FlockError("column_twice", place=Place(str(name), 1), column=cell)
        seen.add(cell)


def parse_bird(cells: dict[str, str], line: int, name: str, told: Told = at_once) -> Bird:
    """One row to a Bird; what isn't allowed is told, and left out if that raises nothing."""

    def one_of(column: str, words: tuple[str, ...]) -> str:
        value = cells.get(column, "")
        if value and value not in words:
            told(complain(name, line, column, value, "none_of_words", known=tuple(words)))
            return ""
        return value

    def yes_no(column: str) -> bool | None:
        return {"": None, "yes": True, "no": False}[one_of(column, ("yes", "no"))]

    genotype = cells.get("genotype", "")
    if genotype:
        try:
            possible(genotype)
        except GenotypeError as error:
            why = error.message
            told(complain(name, line, "genotype", genotype, "genotype_unreadable", reason=why))
            genotype = ""
    photos = tuple(p.strip() for p in cells.get("photo", "").split(";") if p.strip())
    return Bird(
        bird=cells["bird"],
        sire=cells.get("sire", ""),
        dam=cells.get("dam", ""),
        sex=one_of("sex", ("cock", "hen")),
        hatched=parse_day(cells.get("hatched", ""), line, name, told),
        comb=one_of("comb", tuple(SAID)),
        comb_by=cells.get("comb_by", ""),
        crest=yes_no("crest"),
        beard=yes_no("beard"),
        wattles=one_of("wattles", WATTLE_WORDS),
        genotype=genotype,
        photos=photos,
        notes=cells.get("notes", ""),
        line=line,
        extra={k: v for k, v in cells.items() if k not in COLUMNS},
    )


def parse_day(text: str, line: int, name: str, told: Told) -> date | None:
    """Return a day of a list, None for an empty cell."""
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        told(complain(name, line, "hatched", text, "no_date"))
        return None
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        told(complain(name, line, "hatched", text, "date_too_far"))
        return None
    return day


def connect_parents(birds: list[Bird], name: str, told: Told = at_once) -> Flock:
    """Parents looked up, with their sex and the absence of cycles checked."""
    rows = {bird.bird: i for i, bird in enumerate(birds)}
    parents: dict[str, list[int]] = {"sire": [], "dam": []}
    used_as: dict[int, tuple[str, str]] = {}
    possible: dict[int, CandidateParents] = {}
    for row, bird in enumerate(birds):
        several: dict[str, tuple[int, ...]] = {}
        for column in ("sire", "dam"):
            found = parent_rows(birds, rows, bird, column, name, told)
            parents[column].append(found[0] if len(found) == 1 else -1)
            several[column] = tuple(found) if len(found) > 1 else ()
            for one in found:
                before, chick = used_as.setdefault(one, (column, bird.bird))
                if before != column:
                    told(
                        complain(
                            name,
                            bird.line,
                            column,
                            birds[one].bird,
                            "used_as_both",
                            of=bird.bird,
                            chick=chick,
                        )
                    )
        if any(several.values()):
            possible[row] = CandidateParents(several["sire"], several["dam"])
        if bird.sire and bird.sire == bird.dam:
            told(complain(name, bird.line, "dam", bird.dam, "is_also_the_sire", of=bird.bird))
    try:
        check(parents["sire"], parents["dam"], possible)
    except PedigreeError as error:
        bird, code = birds[error.values["row"]], "makes_own_ancestor"
        parent = bird.sire or bird.dam
        told(complain(name, bird.line, "sire", parent, code, of=bird.bird, bird=bird.bird))
    return Flock(tuple(birds), tuple(parents["sire"]), tuple(parents["dam"]), possible)


def parent_rows(
    birds: list[Bird],
    rows: dict[str, int],
    bird: Bird,
    column: str,
    name: str,
    told: Told = at_once,
) -> list[int]:
    """Rows of a bird's sire or dam, several where the list says '12 or 14', none if unknown."""

    def wrong(value: str, code: str, /, **values: Any) -> None:
        told(complain(name, bird.line, column, value, code, of=bird.bird, **values))

    band, sex = (bird.sire, "cock") if column == "sire" else (bird.dam, "hen")
    if not band:
        return []
    bands = [band] if band in rows else [b.strip() for b in band.split(OR)]
    several = [b for b in re.split(r"[;,/+]", band) if b.strip() in rows]
    if band not in rows and len(several) > 1:
        wrong(band, "names_several", number=len(several), parent=column)
        return []
    youngest = int(toml("settling")["weeks"]["youngest_parent"])
    found: list[int] = []
    for one in bands:
        if one not in rows:
            wrong(one, "no_row_of_its_own")
            continue
        parent = birds[rows[one]]
        days = (bird.hatched - parent.hatched).days if bird.hatched and parent.hatched else None
        if parent.sex and parent.sex != sex:
            wrong(one, "recorded_as_other", sex=parent.sex)
        elif days is not None and days < 7 * youngest:
            wrong(one, "parent_too_young", weeks=youngest)
        elif rows[one] in found:
            wrong(band, "names_twice", band=one)
        else:
            found.append(rows[one])
    return found
