"""The candidates of a flock of any size: family by family, on several cores, into one file.

Parts of whole families are worked out apart, so that memory doesn't grow with the flock. The
answers are those of the whole, but for one thing: two bands that were mixed up are looked for among
birds of one day within a part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

from sqlalchemy import select

from service.answers.family_snapshot import Grounds, on_record, ties
from service.answers.raters import people
from service.bulk.arrow import parquet
from service.bulk.candidate_table import candidate_schema, candidate_table
from service.bulk.lists import Cells, LongList, kin_of
from service.bulk.parts import PART, Kin
from service.bulk.processes import in_order
from service.errors import UsageMistake
from service.flock.candidates import candidates, worked_out
from service.flock.counts_csv import CountedRow, counted_of
from service.flock.flock_csv import connect_list, listed_of
from service.installation import open_store
from service.records.database import Store
from service.records.photo_files import whole_file
from service.records.tables import BirdRow
from service.settings import Settings, use_numbers
from service.wording.language import speak

Told = Callable[[int], None]


@dataclass(frozen=True)
class Way:
    """How parts are worked out, in whichever process."""

    settings: Settings
    on: date
    """The day for ages."""
    jobs: int = 1
    size: int = PART


@dataclass(frozen=True)
class ListPart:
    """Some rows of a list with their lines, and the counted chicks of their matings."""

    name: str
    header: Cells
    rows: list[tuple[int, Cells]]
    counts_name: str
    counts: list[CountedRow]


def list_parts(
    flock: LongList, size: int, counts_name: str = "", counts: Sequence[CountedRow] = ()
) -> Iterator[ListPart]:
    """Yield the parts of a list. Raises FlockError."""
    kin = kin_of(flock)
    for row in counts:
        if row.cells["sire"] in kin.rows:
            kin.link(kin.rows[row.cells["sire"]], row.cells["dam"])
    parts = kin.parts(size)
    part_of = {row: i for i, part in enumerate(parts) for row in part.tolist()} if counts else {}
    mine: dict[int, list[CountedRow]] = {}
    for row in counts:  # those of nobody on the list go anywhere, to be refused there
        place = part_of.get(kin.rows.get(row.cells["sire"], -1), 0)
        mine.setdefault(place, []).append(row)
    del kin, part_of
    for number, rows in enumerate(parts):
        yield ListPart(
            flock.name, flock.header, flock.some(rows), counts_name, mine.get(number, [])
        )


def settle(way: Way) -> None:
    """Let a process work with this installation's numbers and language."""
    use_numbers(way.settings)
    speak(way.settings.language)


def of_list(way: Way, part: ListPart) -> Any:
    """Return the candidates of a part of a list as a table. Raises FlockError, PedigreeError."""
    settle(way)
    listed = listed_of(chain([(1, part.header)], part.rows), part.name)
    flock = connect_list(listed, part.name)
    counted = counted_of(part.counts, flock, part.counts_name)
    found = candidates(flock, {}, [1 / 6] * 6, way.on, counted)
    return candidate_table(found, [line for line, _ in part.rows])


def record_parts(store: Store, size: int) -> Iterator[tuple[str, ...]]:
    """Yield the bands of each part of the birds on record."""
    with store.reading() as session:
        bands = list(session.scalars(select(BirdRow.band).order_by(BirdRow.id)))
        kin = Kin(bands)
        for one, other in ties(session):
            kin.one.append(one)
            kin.other.append(other)
    for rows in kin.parts(size):
        yield tuple(bands[row] for row in rows.tolist())


def of_records(way: Way, prior: tuple[float, ...], bands: tuple[str, ...]) -> Any:
    """Return the candidates of some families on record as a table. Raises StoreError."""
    settle(way)
    store = open_store(way.settings)
    try:
        with store.reading() as session:
            grounds = Grounds(people(session), prior, way.on)
            flock, seen, counted = on_record(session, bands, grounds)
    finally:
        store.engine.dispose()
    return candidate_table(worked_out(flock, seen, counted), [None] * len(seen))


def check_out(out: Path) -> None:
    """Refuse another file than a Parquet one before anything is worked out. Raises UsageMistake."""
    if out.suffix.lower() != ".parquet":
        raise UsageMistake("out_not_parquet", file=out)
    parquet()


def write_candidates(tables: Iterator[Any], out: Path, told: Told) -> int:
    """Write tables one behind the other into a file, in full or not at all; returns the birds.

    Raises StoreError if it can't be written.
    """
    writer_of, _ = parquet()
    birds = 0
    with (
        whole_file(out) as draft,
        writer_of.ParquetWriter(draft, candidate_schema(), compression="zstd") as writer,
    ):
        for table in tables:
            writer.write_table(table)
            birds += table.num_rows
            told(table.num_rows)
    return birds


def list_to_file(
    flock: LongList, out: Path, way: Way, told: Told, counts: tuple[str, Sequence[CountedRow]]
) -> int:
    """Work out a list's candidates into a Parquet file; returns how many birds it holds."""
    parts = list_parts(flock, way.size, *counts)
    return write_candidates(in_order(partial(of_list, way), parts, way.jobs), out, told)


def records_to_file(store: Store, out: Path, way: Way, prior: Sequence[float], told: Told) -> int:
    """Work out the candidates of all birds on record into a Parquet file; returns how many."""
    parts = record_parts(store, way.size)
    do = partial(of_records, way, tuple(prior))
    return write_candidates(in_order(do, parts, way.jobs), out, told)
