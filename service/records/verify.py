"""Whether a store is whole: the database, every photo's bytes, every row's place."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.records.database import Store
from service.records.photo_files import place, strays
from service.records.states import STATES
from service.records.tables import ChangeRow, ItemRow, PhotoRow
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
    with store.reading() as session:
        if store.engine.dialect.name == "sqlite":
            lines = session.execute(text("PRAGMA integrity_check")).scalars().all()
            complaints += [
                Message("verify_database", reason=line) for line in lines if line != "ok"
            ]
            for row in session.execute(text("PRAGMA foreign_key_check")):
                found = Message("verify_reference", row=row[1], table=row[0], other=row[2])
                complaints.append(found)
        photos = session.execute(select(PhotoRow.sha256, PhotoRow.suffix)).all()
        known = stored_files(session)
        for item in session.scalars(select(ItemRow)):
            if item.state not in STATES:
                complaints.append(Message("verify_item_state", name=item.name, state=item.state))
            if item.state in ("kept", "already there") and not item.photo_sha256:
                complaints.append(Message("verify_item_photo", name=item.name))
    for sha256, suffix in photos:
        complaints += wrong(place(store.photos, sha256, suffix), sha256)
        told()
    for path in strays(store.photos, known):
        complaints.append(Message("verify_stray", name=path.name))
    return Check(len(photos), tuple(complaints))


def wrong(path: Path, sha256: str) -> list[Message]:
    """Return what is wrong with a photo's file."""
    try:
        with path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return [Message("verify_missing", name=sha256[:12])]
    except OSError:
        return [Message("verify_unreadable", name=sha256[:12])]
    return [] if found == sha256 else [Message("verify_changed", name=sha256[:12])]
