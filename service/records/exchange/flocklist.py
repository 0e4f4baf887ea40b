"""The flock list written out again: CSV, or a sheet of a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from service.flock.csv_cells import defused
from service.flock.flock_csv import COLUMNS, Bird

YES_NO = {None: "", True: "yes", False: "no"}


def header(birds: Sequence[Bird]) -> list[str]:
    """Return the list's columns, then the breeder's own by name."""
    return [*COLUMNS, *sorted({name for bird in birds for name in bird.extra})]


def cells(bird: Bird) -> dict[str, str]:
    """Return a bird as text by column."""
    return {
        "bird": bird.bird,
        "sire": bird.sire,
        "dam": bird.dam,
        "sex": bird.sex,
        "hatched": bird.hatched.isoformat() if bird.hatched else "",
        "comb": bird.comb,
        "comb_by": bird.comb_by,
        "crest": YES_NO[bird.crest],
        "beard": YES_NO[bird.beard],
        "wattles": bird.wattles,
        "genotype": bird.genotype,
        "photo": ";".join(bird.photos),
        "notes": bird.notes,
        **bird.extra,
    }


def table(birds: Sequence[Bird]) -> list[list[str]]:
    """Header and rows."""
    names = header(birds)
    return [names, *([cells(bird).get(name, "") for name in names] for bird in birds)]


def csv_file(rows: Sequence[Sequence[str]]) -> str:
    """Return rows as a CSV file for people, whose spreadsheets run nothing that it says."""
    return csv_text([[defused(cell) for cell in row] for row in rows])


def csv_text(rows: Sequence[Sequence[str]]) -> str:
    """Rows as CSV (RFC 4180, but with line feeds alone)."""
    buffer = io.StringIO(newline="")
    csv.writer(buffer, lineterminator="\n").writerows(rows)
    return buffer.getvalue()
