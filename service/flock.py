"""flock.csv: one row a bird, read in full or refused with line, column and value."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from genetics.evidence import SAID, WATTLE_WORDS
from genetics.genotype import GenotypeError, possible
from genetics.pedigree import PedigreeError, check

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


class FlockError(ValueError):
    """A flock list that can't be used; the message names line, column and value."""


@dataclass(frozen=True)
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

    def row(self, name: str) -> int:
        """Row of a bird by its band; KeyError if there is none."""
        for i, bird in enumerate(self.birds):
            if bird.bird == name:
                return i
        raise KeyError(name)


def complain(path: str, line: int, column: str, value: str, what: str) -> FlockError:
    """A FlockError in the one form that all have."""
    return FlockError(f"{path}, line {line}, column {column}: {value!r} {what}")


def load_flock(path: Path) -> Flock:
    """Read flock.csv from disk. Raises FlockError; nothing is half read."""
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise FlockError(f"{path}: no such file; give the flock list's path") from None
    except IsADirectoryError:
        raise FlockError(f"{path}: a folder; give the flock list itself") from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise FlockError(
            f"{path}, line {line}: byte 0x{raw[error.start]:02x} isn't UTF-8; "
            "save the list as CSV in UTF-8"
        ) from None
    return parse_flock(text, str(path))


def parse_flock(text: str, name: str = "flock.csv") -> Flock:
    """Read a flock list from its text."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        rows = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise FlockError(f"{name}, line {reader.line_num}: {error}") from None
    if not rows:
        raise FlockError(f"{name}: empty; the first line must name the columns")
    header = [cell.strip() for cell in rows[0][1]]
    if "bird" not in header:
        raise FlockError(f"{name}, line 1: no column 'bird' among {', '.join(header)}")
    for cell in header:
        if header.count(cell) > 1:
            raise FlockError(f"{name}, line 1: column {cell!r} stands there twice")
    birds: list[Bird] = []
    lines: dict[str, int] = {}
    for line, row in rows[1:]:
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(header):
            raise FlockError(
                f"{name}, line {line}: {len(row)} cells for {len(header)} columns; "
                "put quotes round a cell that holds a comma"
            )
        bird = parse_bird(dict(zip(header, (c.strip() for c in row), strict=True)), line, name)
        if bird.bird in lines:
            raise complain(name, line, "bird", bird.bird, f"is already on line {lines[bird.bird]}")
        lines[bird.bird] = line
        birds.append(bird)
    return connected(birds, name)


def parse_bird(cells: dict[str, str], line: int, name: str) -> Bird:
    """One row to a Bird; FlockError for a value that isn't allowed."""

    def one_of(column: str, words: tuple[str, ...]) -> str:
        value = cells.get(column, "")
        if value and value not in words:
            raise complain(name, line, column, value, f"is none of {', '.join(words)}")
        return value

    def yes_no(column: str) -> bool | None:
        return {"": None, "yes": True, "no": False}[one_of(column, ("yes", "no"))]

    if not cells["bird"]:
        raise complain(name, line, "bird", "", "is empty; every bird needs its band")
    hatched = None
    if cells.get("hatched"):
        try:
            hatched = date.fromisoformat(cells["hatched"])
        except ValueError:
            raise complain(
                name, line, "hatched", cells["hatched"], "is no date; write YYYY-MM-DD"
            ) from None
    genotype = cells.get("genotype", "")
    if genotype:
        try:
            possible(genotype)
        except GenotypeError as error:
            raise complain(name, line, "genotype", genotype, f"can't be read: {error}") from None
    photos = tuple(p.strip() for p in cells.get("photo", "").split(";") if p.strip())
    return Bird(
        bird=cells["bird"],
        sire=cells.get("sire", ""),
        dam=cells.get("dam", ""),
        sex=one_of("sex", ("cock", "hen")),
        hatched=hatched,
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


def connected(birds: list[Bird], name: str) -> Flock:
    """Parents looked up, with their sex and the absence of cycles checked."""
    rows = {bird.bird: i for i, bird in enumerate(birds)}
    parents: dict[str, list[int]] = {"sire": [], "dam": []}
    for bird in birds:
        for column, sex in (("sire", "cock"), ("dam", "hen")):
            band = bird.sire if column == "sire" else bird.dam
            if not band:
                parents[column].append(-1)
                continue
            several = [b for b in re.split(r"[;,/+]", band) if b.strip() in rows]
            if band not in rows and len(several) > 1:
                what = f"names {len(several)} birds; a chick has one {column}, or leave it empty"
                raise complain(name, bird.line, column, band, what)
            if band not in rows:
                raise complain(
                    name,
                    bird.line,
                    column,
                    band,
                    "has no row of its own; add one or leave it empty",
                )
            parent = birds[rows[band]]
            if parent.sex and parent.sex != sex:
                raise complain(name, bird.line, column, band, f"is recorded as a {parent.sex}")
            if parent.hatched and bird.hatched and parent.hatched >= bird.hatched:
                raise complain(
                    name, bird.line, column, band, "hatched on the same day as its chick or later"
                )
            parents[column].append(rows[band])
        if bird.sire and bird.sire == bird.dam:
            raise complain(name, bird.line, "dam", bird.dam, "is also the sire")
    try:
        check(parents["sire"], parents["dam"])
    except PedigreeError as error:
        row = int("".join(c for c in str(error).split("row ")[1] if c.isdigit()))
        bird = birds[row]
        raise complain(
            name, bird.line, "sire", bird.sire or bird.dam, f"makes {bird.bird} its own ancestor"
        ) from None
    return Flock(tuple(birds), tuple(parents["sire"]), tuple(parents["dam"]))
