"""Whether a store is whole: the database, every photo's bytes, every row's place."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import inspect, select, text
from sqlalchemy.orm import Session

from service.errors import StoreError
from service.records.database import Store
from service.records.identity import foreign
from service.records.object_photos import ObjectPhotos
from service.records.photo_files import place, strays
from service.records.row_checks import check_rows
from service.records.tables import Base, ChangeRow, PhotoRow
from service.wording.sentences import Message


@dataclass(frozen=True)
class Check:
    """What a check of the store found."""

    photos: int
    complaints: tuple[Message, ...]

    @property
    def clean(self) -> bool:
        """Whether nothing is wrong."""
        return not self.complaints


def stored_files(session: Session) -> set[str]:
    """Names of all files that rows need, or that the trail could bring back."""
    rows = session.execute(select(PhotoRow.sha256, PhotoRow.suffix)).all()
    found = {f"{sha256}{suffix}" for sha256, suffix in rows}
    for change in session.scalars(select(ChangeRow).where(ChangeRow.kind == "photos")):
        for row in (change.before, change.after):
            if row:
                found.add(f"{row['sha256']}{row['suffix']}")
    return found


def verify(store: Store, told: Callable[[], None] = lambda: None) -> Check:
    """Check everything; `told` hears of each photo. Nothing is changed."""
    complaints: list[Message] = []
    try:
        photos, known = check_database(store, complaints)
        others = foreign(store)
    except StoreError as error:  # so damaged that it can't be read to its end
        return Check(0, (*complaints, Message("verify_database", reason=str(error))))
    if others:
        folder = str(store.photos)
        return Check(len(photos), (*complaints, Message("verify_foreign", folder=folder)))
    for sha256, suffix in photos:
        complaints += wrong(place(store.photos, sha256, suffix), sha256, store.behind)
        told()
    if store.behind is not None:
        for name in store.behind.names():
            if name not in known:
                complaints.append(Message("verify_stray", name=name))
    for path in strays(store.photos, known):
        complaints.append(Message("verify_stray", name=path.name))
    return Check(len(photos), tuple(complaints))


def check_database(
    store: Store, complaints: list[Message]
) -> tuple[list[tuple[str, str]], set[str]]:
    """Add what is wrong with the database; return its photos and the files that it knows."""
    with store.reading() as session:
        if store.engine.dialect.name == "sqlite":
            lines = session.execute(text("PRAGMA integrity_check")).scalars().all()
            complaints += [
                Message("verify_database", reason=line) for line in lines if line != "ok"
            ]
        complaints += check_schema(session)
        complaints += check_rows(session)
        rows = session.execute(select(PhotoRow.sha256, PhotoRow.suffix)).all()
        return [(row.sha256, row.suffix) for row in rows], stored_files(session)


def check_schema(session: Session) -> list[Message]:
    """Tell what the tables lack of those that this version works with."""
    found = []
    inspector = inspect(session.connection())
    for table in Base.metadata.sorted_tables:
        if not inspector.has_table(table.name):
            found.append(Message("verify_table", table=table.name))
            continue
        there = {column["name"] for column in inspector.get_columns(table.name)}
        indexes = {index["name"] for index in inspector.get_indexes(table.name)}
        lacking = {column.name for column in table.c} - there
        lacking |= {str(index.name) for index in table.indexes} - indexes
        if lacking:
            found.append(Message("verify_columns", table=table.name, names=sorted(lacking)))
    return found


def wrong(path: Path, sha256: str, behind: ObjectPhotos | None = None) -> list[Message]:
    """Return what is wrong with a photo's file, at hand and in the object store behind it."""
    if behind is not None:
        data = behind.get(path.name)
        if data is None:
            return [Message("verify_missing", name=sha256[:12])]
        if hashlib.sha256(data).hexdigest() != sha256:
            return [Message("verify_changed", name=sha256[:12])]
        if not path.exists():  # not at hand, which is no fault
            return []
    try:
        with path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return [Message("verify_missing", name=sha256[:12])]
    except OSError:
        return [Message("verify_unreadable", name=sha256[:12])]
    return [] if found == sha256 else [Message("verify_changed", name=sha256[:12])]
