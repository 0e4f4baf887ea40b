"""All records as JSON, and as a backup: one ZIP file with photos, records and checksums."""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Table, delete, insert, select, text
from sqlalchemy.exc import OperationalError, StatementError
from sqlalchemy.orm import Session

from classifier.photo import MOST_BYTES
from genetics.messages import Place
from service.errors import Refusal, StoreError
from service.records import legacy
from service.records.database import Store, lots, reason_of
from service.records.identity import identity_of, mark_of, settle, take_identity, take_over
from service.records.intake.near_duplicates import index_all
from service.records.intake.sources import without_folders
from service.records.photo_files import in_use, whole_file
from service.records.row_checks import check_rows
from service.records.seals import adopt, seal_all
from service.records.tables import ACCESS, DERIVED, Base, IdentityRow, PhotoRow
from service.records.values import lively, plain
from service.wording.sentences import Message

FORMAT = "combwright records"
VERSION = 7  # of the tables, as the newest migration that changed what is exported
RECORDS, SUMS = "records.json", "checksums.txt"
READABLE = (2, 5, 6, VERSION)
SEALED = 6  # from this version on lines of the trail carry seals
LEARNED = 7  # from this version on readers that learned from the flock are kept
MOST_SUMS, MOST_RECORDS = 200_000_000, 4_000_000_000
Told = Callable[[], None]
# What values make of themselves that fit no column.
UNFIT = (KeyError, ValueError, TypeError, AttributeError, OverflowError, StatementError)
DAMAGED = (
    KeyError, zipfile.BadZipFile, ValueError, TypeError, EOFError, OSError, zlib.error,
    NotImplementedError, RuntimeError, OverflowError, MemoryError,
)  # fmt: skip


@dataclass(frozen=True)
class Records:
    """Exported records as they are read back."""

    version: int
    identity: str
    """Empty in exports of versions that had none."""
    tables: dict[str, list[dict[str, Any]]]


def tables() -> list[Table]:
    """All tables that are exported, parents before children.

    Not who may come in: an export may be given away.
    """
    apart = {*DERIVED, *ACCESS, IdentityRow.__tablename__}
    return [t for t in Base.metadata.sorted_tables if t.name not in apart]


def dump_records(session: Session) -> str:
    """All records as JSON text, the same for the same records."""
    identity = identity_of(session)
    content: dict[str, Any] = {
        "format": FORMAT, "version": VERSION, "identity": identity, "tables": {}
    }  # fmt: skip
    for table in tables():
        rows = session.execute(select(table).order_by(table.c.id)).mappings()
        content["tables"][table.name] = [
            {name: plain(value) for name, value in row.items()} for row in rows
        ]
    for lot in content["tables"]["intakes"]:  # written with its folder by earlier versions
        lot["source"] = without_folders(lot["source"])
    return json.dumps(content, ensure_ascii=False, indent=1, sort_keys=True) + "\n"


def parse_records(words: str, name: str) -> Records:
    """Tables of exported records. Raises StoreError for anything else."""
    try:
        content = json.loads(words)
    except (ValueError, RecursionError) as error:
        raise StoreError("not_json", place=Place(str(name)), reason=str(error)[:160]) from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise StoreError("not_our_export", place=Place(str(name)))
    version, found = content.get("version"), content.get("tables")
    if version not in READABLE:
        raise StoreError("other_version", place=Place(str(name)), version=version, ours=VERSION)
    if not isinstance(found, dict) or not all(map(are_rows, found.values())):
        raise StoreError("records_unreadable", place=Place(str(name)), reason="tables")
    if version == 2:  # before sentences were kept as codes
        found = before_codes(found, name)
    if version < LEARNED:
        found = {**found, "readers": []}
    identity = content.get("identity", "")
    return Records(version, identity if isinstance(identity, str) else "", dict(found))


def are_rows(value: Any) -> bool:
    """Whether a value is a table's rows: objects that each have a key."""
    return isinstance(value, list) and all(
        isinstance(row, dict) and isinstance(row.get("id"), int) for row in value
    )


def before_codes(
    content: dict[str, list[dict[str, Any]]], name: str
) -> dict[str, list[dict[str, Any]]]:
    """Tables of version 2 as they are kept now."""
    try:
        readings = [legacy.reading_row(row) or {} for row in content["readings"]]
        changes = [legacy.change_row(row) for row in content["changes"]]
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise StoreError("records_unreadable", place=Place(name), reason=str(error)) from None
    return {**content, "readings": readings, "changes": changes}


def load(session: Session, content: Records, name: str, replace: bool) -> int:
    """Put exported records in the place of all that are there; returns how many rows.

    In a session that writes, so all or nothing; what was put in is checked as `verify` checks it.
    Raises StoreError for records that don't fit, and without `replace` if there are any already.
    """
    if not replace and any(session.execute(select(t).limit(1)).first() for t in tables()):
        raise Refusal("records_there")
    known = {t.name: t for t in tables()}
    if set(content.tables) != set(known):
        odd = ", ".join(sorted(set(content.tables) ^ set(known)))
        raise StoreError("tables_differ", place=Place(str(name)), names=odd)
    for derived in DERIVED:
        session.execute(delete(Base.metadata.tables[derived]))
    for table in reversed(tables()):
        session.execute(delete(table))
    count = 0
    try:
        for table in tables():
            rows = [lively(table, row) for row in content.tables[table.name]]
            for some in lots(rows):
                session.execute(insert(table), some)
            count += len(rows)
            restart(session, table)
        if content.version < SEALED:
            seal_all(session.connection())
            adopt(session.connection())
        index_all(session)
    except OperationalError:  # of the database here, such as a full disk
        raise
    except UNFIT as error:
        raise StoreError(
            "records_unreadable", place=Place(str(name)), reason=reason_of(error)
        ) from None
    wrong = list(check_rows(session))
    if wrong:
        raise StoreError(
            "records_unsound", place=Place(str(name)), number=len(wrong), first=wrong[0]
        )
    return count


def restart(session: Session, table: Table) -> None:
    """PostgreSQL hands out keys by counters of its own, which must go on after the last row."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(
            # Names of our own tables, nothing that anybody sent.
            text(
                f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "  # noqa: S608
                f"COALESCE((SELECT MAX(id) FROM {table.name}), 1), "
                f"(SELECT COUNT(*) > 0 FROM {table.name}))"
            )
        )


def backup(store: Store, path: Path, told: Told = lambda: None, with_photos: bool = True) -> int:
    """Write a backup of everything; returns how many photos it holds. Raises StoreError.

    Without photos it can be restored only where their files are.
    """
    sums = []
    with in_use(store.photos), store.reading() as session:
        records = dump_records(session).encode()
        photos = session.execute(select(PhotoRow.sha256, PhotoRow.suffix)).mappings().all()
        photos = photos if with_photos else []
        with whole_file(path) as draft, zipfile.ZipFile(draft, "w") as archive:
            for row in photos:
                name = f"photos/{row['sha256']}{row['suffix']}"
                kept = store.photo(row["sha256"], row["suffix"])
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
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise StoreError("not_a_backup", place=Place(str(path)), reason=str(error)) from None


def read_member(archive: zipfile.ZipFile, name: str, most: int) -> bytes:
    """Return a member of a backup, stopping where a bomb would go on. Raises ValueError."""
    with archive.open(name) as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise ValueError(f"{name} > {most} bytes")
    return data


def verify_backup(path: Path, told: Told = lambda: None) -> list[str]:
    """Names of a backup's photos, every checksum verified. Raises StoreError."""
    with open_backup(path) as archive:
        try:
            lines = read_member(archive, SUMS, MOST_SUMS).decode().splitlines()
            listing = "".join(f"{line}\n" for line in lines[:-1])
            own = lines[-1].split()[0] if lines and lines[-1].split() else ""
            if own != hashlib.sha256(listing.encode()).hexdigest():
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
            text = read_member(archive, RECORDS, MOST_RECORDS).decode()
            rows = parse_records(text, RECORDS).tables["photos"]
            wanted_names = {f"photos/{r['sha256']}{r['suffix']}" for r in rows}
        except DAMAGED as error:
            raise StoreError(
                "backup_damaged", place=Place(str(path)), reason=reason_of(error)
            ) from None
    if names - {RECORDS} not in (wanted_names, set()):
        raise StoreError("photos_and_records_differ", place=Place(str(path)))
    return sorted(names - {RECORDS})


def restore(store: Store, path: Path, replace: bool = False, told: Told = lambda: None) -> int:
    """Bring a backup back, all of it or nothing; returns how many photos.

    A store that holds records is replaced only with `replace`. Its folder of photos must be its
    own, or that of the records in the backup, which then are these. Raises StoreError.
    """
    names = verify_backup(path)
    with open_backup(path) as archive:
        text = read_member(archive, RECORDS, MOST_RECORDS).decode()
        content = parse_records(text, str(path))
        with in_use(store.photos), store.writing("restore", Message("act_restore")) as session:
            load(session, content, str(path), replace)
            joined = join_folder(session, store, content)
            for name in names:
                store.keep_photo(read_member(archive, name, MOST_BYTES), Path(name).suffix)
                told()
            check_photos(session, store, str(path))
    if joined:
        take_over(store)
    return len(names)


def join_folder(session: Session, store: Store, content: Records) -> bool:
    """Let restored records and what holds their photos belong together, where they may.

    Returns whether the records took the identity of those that they came from: then `take_over`
    marks folder and object store alike, once all is committed. Raises StoreError.
    """
    known = {f"{row['sha256']}{row['suffix']}" for row in content.tables["photos"]}
    identity, behind = identity_of(session), store.behind
    others = set()
    if not settle(store.photos, identity, lambda: known):
        others.add(mark_of(store.photos))
    if behind is not None and not behind.settle(identity):
        others.add(behind.mark())
    if not others:
        return False
    if not content.identity or others != {content.identity}:
        raise StoreError("photos_of_others", folder=behind.url if behind else str(store.photos))
    take_identity(session, content.identity)
    return True


def check_photos(session: Session, store: Store, name: str) -> None:
    """Refuse records whose photos aren't all there. Raises StoreError."""
    rows = session.execute(select(PhotoRow.sha256, PhotoRow.suffix)).all()
    missing = sum(not store.has_photo(sha256, suffix) for sha256, suffix in rows)
    if missing:
        raise StoreError("photos_not_here", place=Place(name), number=missing)
