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


@dataclass(frozen=True)
class Check:
    """What a check of the store found."""

    photos: int
    complaints: tuple[str, ...]

    @property
    def clean(self) -> bool:
        """Whether nothing is wrong."""
        return not self.complaints


def kept_files(session: Session) -> set[str]:
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
    complaints: list[str] = []
    with store.reading() as session:
        if store.engine.dialect.name == "sqlite":
            lines = session.execute(text("PRAGMA integrity_check")).scalars().all()
            complaints += [f"database: {line}" for line in lines if line != "ok"]
            for row in session.execute(text("PRAGMA foreign_key_check")):
                complaints.append(f"database: row {row[1]} of {row[0]} names a missing {row[2]}")
        photos = session.execute(select(PhotoRow.sha256, PhotoRow.suffix)).all()
        known = kept_files(session)
        for item in session.scalars(select(ItemRow)):
            if item.state not in STATES:
                complaints.append(f"intake of {item.name}: unknown state {item.state!r}")
            if item.state in ("kept", "already there") and not item.photo_sha256:
                complaints.append(f"intake of {item.name}: said to be kept, but names no photo")
    for sha256, suffix in photos:
        complaints += wrong(place(store.photos, sha256, suffix), sha256)
        told()
    for path in strays(store.photos, known):
        complaints.append(f"file {path.name} belongs to no photo")
    return Check(len(photos), tuple(complaints))


def wrong(path: Path, sha256: str) -> list[str]:
    """What is wrong with a photo's file."""
    try:
        with path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return [f"photo {sha256[:12]}: its file is missing"]
    except OSError as error:
        return [f"photo {sha256[:12]}: its file can't be read ({error.strerror or error})"]
    return [] if found == sha256 else [f"photo {sha256[:12]}: its file has changed"]
