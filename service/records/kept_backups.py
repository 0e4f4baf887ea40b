"""Backups that are made by themselves: each day of use, before records are replaced or migrated.

They hold the records; photos, which never change once they are kept, stay in their folder.
"""

from __future__ import annotations

import gzip
import json
import sqlite3
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

from sqlalchemy import Connection, Engine, MetaData, select

from service.records.backup import backup
from service.records.database import Store, file_of
from service.records.photo_files import whole_file
from service.records.values import plain

DAYS, WEEKS, BEFORE = 7, 4, 5
"""How many are kept: of the last days, of the weeks before those, and of those made before an act.
"""


def daily(store: Store, folder: Path, on: date) -> Path | None:
    """Back the records up if that wasn't done today yet. Raises StoreError."""
    if store.look_only:
        return None
    path = folder / f"day-{on.isoformat()}.zip"
    if path.exists():
        return None
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    backup(store, path, with_photos=False)
    rotate(folder)
    return path


def before_act(store: Store, folder: Path, act: str) -> Path:
    """Back the records up before an act that replaces them. Raises StoreError."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    path = folder / f"before-{act}-{stamp()}.zip"
    backup(store, path, with_photos=False)
    rotate(folder)
    return path


def copy_before_migration(
    engine: Engine, folder: Path, connection: Connection, revision: str
) -> None:
    """Copy the records of an older version as they are, before their tables are changed.

    An SQLite file in full, which a program of that version opens again; of other databases all
    rows as JSON.
    """
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    name = f"before-migration-from-{revision}-{stamp()}"
    file = file_of(str(engine.url))
    if file is not None:
        with (
            whole_file(folder / f"{name}.sqlite3") as draft,
            closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as source,
            closing(sqlite3.connect(draft)) as copy,
        ):
            source.backup(copy)
        rotate(folder)
        return
    there = MetaData()
    there.reflect(connection)
    rows = {
        table.name: [
            {key: plain(value) for key, value in row.items()}
            for row in connection.execute(select(table)).mappings()
        ]
        for table in there.sorted_tables
    }
    with whole_file(folder / f"{name}.json.gz") as draft:
        draft.write_bytes(gzip.compress(json.dumps(rows, default=str).encode()))
    rotate(folder)


def stamp() -> str:
    """Return this moment as it goes into a name."""
    return f"{datetime.now(UTC):%Y%m%dT%H%M%S%f}"


def rotate(folder: Path) -> list[Path]:
    """Remove backups that were made by themselves and are no longer needed; returns which."""
    days = sorted(folder.glob("day-????-??-??.zip"), reverse=True)
    kept = set(days[:DAYS])
    weeks: dict[tuple[int, int], Path] = {}
    for path in days[DAYS:]:
        try:
            year, week, _ = date.fromisoformat(path.stem.removeprefix("day-")).isocalendar()
        except ValueError:
            continue
        weeks.setdefault((year, week), path)
    kept |= set(list(weeks.values())[:WEEKS])
    acts = sorted(folder.glob("before-*"), key=lambda p: p.stat().st_mtime, reverse=True)
    gone = [path for path in days if path not in kept] + acts[BEFORE:]
    for path in gone:
        path.unlink(missing_ok=True)
    return gone
