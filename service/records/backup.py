"""All records as JSON, and as a backup: one ZIP file with photos, records and checksums."""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import Table, delete, insert, select, text
from sqlalchemy.orm import Session

from genetics.messages import Place
from service.errors import Refusal, StoreError
from service.records import legacy
from service.records.audit_log import lively, plain
from service.records.database import Store, lots
from service.records.intake.near_duplicates import index_all
from service.records.photo_files import in_use, keep, place, whole_file
from service.records.tables import DERIVED, Base
from service.wording.sentences import Message

FORMAT = "combwright records"
VERSION = 5  # of the tables, as the newest migration that changed what is exported
RECORDS, SUMS = "records.json", "checksums.txt"
Told = Callable[[], None]


def tables() -> list[Table]:
    """All tables that are exported, parents before children."""
    return [t for t in Base.metadata.sorted_tables if t.name not in DERIVED]


def dump_records(session: Session) -> str:
    """All records as JSON text, the same for the same records."""
    content: dict[str, Any] = {"format": FORMAT, "version": VERSION, "tables": {}}
    for table in tables():
        rows = session.execute(select(table).order_by(table.c.id)).mappings()
        content["tables"][table.name] = [
            {name: plain(value) for name, value in row.items()} for row in rows
        ]
    return json.dumps(content, ensure_ascii=False, indent=1, sort_keys=True) + "\n"


def parse_records(words: str, name: str) -> dict[str, list[dict[str, Any]]]:
    """Tables of exported records. Raises StoreError for anything else."""
    try:
        content = json.loads(words)
    except ValueError as error:
        raise StoreError("not_json", place=Place(str(name)), reason=str(error)) from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise StoreError("not_our_export", place=Place(str(name)))
    if content.get("version") == 2:  # before sentences were kept as codes
        return before_codes(dict(content["tables"]), name)
    if content.get("version") != VERSION:
        raise StoreError(
            "other_version", place=Place(str(name)), version=content.get("version"), ours=VERSION
        )
    return dict(content["tables"])


def before_codes(
    content: dict[str, list[dict[str, Any]]], name: str
) -> dict[str, list[dict[str, Any]]]:
    """Tables of version 2 as they are kept now."""
    try:
        readings = [legacy.reading_row(row) or {} for row in content["readings"]]
        changes = [legacy.change_row(row) for row in content["changes"]]
    except (KeyError, TypeError, AttributeError) as error:
        raise StoreError("records_unreadable", place=Place(name), reason=str(error)) from None
    return {**content, "readings": readings, "changes": changes}


def load(
    session: Session, content: dict[str, list[dict[str, Any]]], name: str, replace: bool
) -> int:
    """Put exported records in the place of all that are there; returns how many rows.

    In a session that writes, so all or nothing. Raises StoreError for records that don't fit, and
    without `replace` if there are any already.
    """
    if not replace and any(session.execute(select(t).limit(1)).first() for t in tables()):
        raise Refusal("records_there")
    known = {t.name: t for t in tables()}
    if set(content) != set(known):
        odd = ", ".join(sorted(set(content) ^ set(known)))
        raise StoreError("tables_differ", place=Place(str(name)), names=odd)
    for derived in DERIVED:
        session.execute(delete(Base.metadata.tables[derived]))
    for table in reversed(tables()):
        session.execute(delete(table))
    count = 0
    try:
        for table in tables():
            rows = [lively(table, row) for row in content[table.name]]
            for some in lots(rows):
                session.execute(insert(table), some)
            count += len(rows)
            restart(session, table)
        index_all(session)
    except (KeyError, ValueError, TypeError) as error:
        raise StoreError("records_unreadable", place=Place(str(name)), reason=str(error)) from None
    return count


def restart(session: Session, table: Table) -> None:
    """PostgreSQL hands out keys by counters of its own, which must go on after the last row."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "
                f"COALESCE((SELECT MAX(id) FROM {table.name}), 1), "
                f"(SELECT COUNT(*) > 0 FROM {table.name}))"
            )
        )


def backup(store: Store, path: Path, told: Told = lambda: None) -> int:
    """Write a backup of everything; returns how many photos it holds. Raises StoreError."""
    sums = []
    with in_use(store.photos), store.reading() as session:
        records = dump_records(session).encode()
        photos = parse_records(records.decode(), RECORDS)["photos"]
        with whole_file(path) as draft, zipfile.ZipFile(draft, "w") as archive:
            for row in photos:
                name = f"photos/{row['sha256']}{row['suffix']}"
                kept = place(store.photos, row["sha256"], row["suffix"])
                try:
                    data = kept.read_bytes()
                except OSError:
                    raise StoreError("photo_file_missing", place=Place(str(kept))) from None
                if hashlib.sha256(data).hexdigest() != row["sha256"]:
                    raise StoreError("photo_file_changed", place=Place(str(kept)))
                archive.writestr(zipfile.ZipInfo(name), data)
                sums.append(f"{row['sha256']}  {name}")
                told()
            info = zipfile.ZipInfo(RECORDS)
            archive.writestr(info, records, zipfile.ZIP_DEFLATED)
            sums.append(f"{hashlib.sha256(records).hexdigest()}  {RECORDS}")
            listing = "".join(f"{line}\n" for line in sums)
            own = hashlib.sha256(listing.encode()).hexdigest()
            archive.writestr(zipfile.ZipInfo(SUMS), f"{listing}{own}  all of the above\n")
    return len(photos)


def open_backup(path: Path) -> zipfile.ZipFile:
    """Return a backup, opened. Raises StoreError."""
    try:
        return zipfile.ZipFile(path)
    except FileNotFoundError:
        raise StoreError("no_such_file", place=Place(str(path))) from None
    except (zipfile.BadZipFile, OSError) as error:
        raise StoreError("not_a_backup", place=Place(str(path)), reason=str(error)) from None


def verify_backup(path: Path, told: Told = lambda: None) -> list[str]:
    """Names of a backup's photos, every checksum verified. Raises StoreError."""
    with open_backup(path) as archive:
        try:
            lines = archive.read(SUMS).decode().splitlines()
            listing = "".join(f"{line}\n" for line in lines[:-1])
            if not lines or lines[-1].split()[0] != hashlib.sha256(listing.encode()).hexdigest():
                raise StoreError("checksums_damaged", place=Place(str(path)))
            sums = dict(line.split("  ", 1)[::-1] for line in lines[:-1])
            names = set(archive.namelist()) - {SUMS}
            if names != set(sums):
                odd = ", ".join(sorted(names ^ set(sums))[:3])
                raise StoreError("backup_files_differ", place=Place(str(path)), names=odd)
            for name, wanted in sums.items():
                with archive.open(name) as file:
                    found = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
                if found != wanted:
                    raise StoreError("backup_member_damaged", place=Place(str(path)), name=name)
                told()
            rows = parse_records(archive.read(RECORDS).decode(), RECORDS)["photos"]
        except (KeyError, zipfile.BadZipFile, ValueError, EOFError, OSError, zlib.error) as error:
            raise StoreError("backup_damaged", place=Place(str(path)), reason=str(error)) from None
    wanted_names = {f"photos/{r['sha256']}{r['suffix']}" for r in rows}
    if wanted_names != names - {RECORDS}:
        raise StoreError("photos_and_records_differ", place=Place(str(path)))
    return sorted(wanted_names)


def restore(store: Store, path: Path, replace: bool = False, told: Told = lambda: None) -> int:
    """Bring a backup back, all of it or nothing; returns how many photos.

    A store that holds records is replaced only with `replace`. Raises StoreError.
    """
    names = verify_backup(path)
    with open_backup(path) as archive:
        content = parse_records(archive.read(RECORDS).decode(), str(path))
        with in_use(store.photos), store.writing("restore", Message("act_restore")) as session:
            load(session, content, str(path), replace)
            for name in names:
                keep(store.photos, archive.read(name), Path(name).suffix)
                told()
    return len(names)
