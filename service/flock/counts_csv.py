"""Chicks counted by comb without bands: a CSV with columns sire, dam, comb, chicks."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

from genetics.counts import CountError, checked
from genetics.evidence import SAID
from service.flock.flock_csv import Flock, FlockError, complain

COLUMNS = ("sire", "dam", "comb", "chicks")


@dataclass(frozen=True)
class Counted:
    """Chicks of one mating by comb word; parents are rows of the flock."""

    sire: int
    dam: int
    chicks: dict[str, int]


def load_counted(path: Path, flock: Flock) -> tuple[Counted, ...]:
    """Read counts from disk. Raises FlockError with line, column and value."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise FlockError(f"{path}: no such file; give the list of counted chicks") from None
    except UnicodeDecodeError:
        raise FlockError(f"{path}: isn't UTF-8; save it as CSV in UTF-8") from None
    return parse_counted(text, flock, str(path))


def parse_counted(text: str, flock: Flock, name: str = "counts.csv") -> tuple[Counted, ...]:
    """Read counts from their text; several rows of one mating belong together."""
    reader = csv.DictReader(io.StringIO(text, newline=""))
    missing = [c for c in COLUMNS if c not in (reader.fieldnames or ())]
    if missing:
        raise FlockError(f"{name}, line 1: no column {missing[0]!r}; needed: {', '.join(COLUMNS)}")
    found: dict[tuple[int, int], dict[str, int]] = {}
    first: dict[tuple[int, int], int] = {}
    for row in reader:
        line = reader.line_num
        cells = {c: (row[c] or "").strip() for c in COLUMNS}
        parents = []
        for column, sex in (("sire", "cock"), ("dam", "hen")):
            band = cells[column]
            try:
                parents.append(flock.row(band))
            except KeyError:
                raise complain(
                    name, line, column, band, "has no row in the flock list: record it there first"
                ) from None
            if flock.birds[parents[-1]].sex not in ("", sex):
                wrong = flock.birds[parents[-1]].sex
                raise complain(name, line, column, band, f"is recorded as a {wrong}")
        if parents[0] == parents[1]:
            raise complain(name, line, "dam", cells["dam"], "is also the sire")
        if cells["comb"] not in SAID:
            raise complain(name, line, "comb", cells["comb"], f"is none of {', '.join(SAID)}")
        if not cells["chicks"].isdecimal():
            raise complain(name, line, "chicks", cells["chicks"], "is no count of chicks")
        mating = (parents[0], parents[1])
        chicks = found.setdefault(mating, {})
        first.setdefault(mating, line)
        if cells["comb"] in chicks:
            raise complain(name, line, "comb", cells["comb"], "is counted twice for this mating")
        chicks[cells["comb"]] = int(cells["chicks"])
    for mating, chicks in found.items():
        try:
            checked(chicks)
        except CountError as error:
            raise FlockError(f"{name}, line {first[mating]}: {error}") from None
    return tuple(Counted(s, d, chicks) for (s, d), chicks in found.items())
