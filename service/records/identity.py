"""Which records and which folder of photos belong together.

Records carry an identity, and their folder of photos carries the same in a file of its own. With a
database that is new, moved away or wrongly named the two differ, and then nothing in the folder is
touched.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Collection
from pathlib import Path

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.errors import StoreError
from service.records.database import Store
from service.records.photo_files import files, in_use, unkept, write_synced
from service.records.tables import IdentityRow

MARK = "identity"


def identity_of(session: Session) -> str:
    """Return the identity of these records."""
    found = session.scalar(select(IdentityRow.identity).order_by(IdentityRow.id).limit(1))
    if not found:
        raise StoreError("records_damaged", reason="identity")
    return found


def take_identity(session: Session, identity: str) -> None:
    """Give records an identity, in a session that writes."""
    session.execute(update(IdentityRow).values(identity=identity))


def mark_of(folder: Path) -> str:
    """Return the identity that a folder of photos carries, nothing if it carries none."""
    try:
        text = (folder / MARK).read_text(encoding="ascii", errors="replace").strip()
    except FileNotFoundError:
        return ""
    except OSError as error:
        raise unkept(folder, error) from error
    return text if re.fullmatch("[0-9a-f]{32}", text) else "unreadable"


def claim(folder: Path, identity: str) -> None:
    """Mark a folder of photos as that of these records. Raises StoreError."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_synced(folder / MARK, f"{identity}\n".encode())
    except OSError as error:
        raise unkept(folder, error) from error


def settle(folder: Path, identity: str, known: Callable[[], Collection[str]]) -> bool:
    """Whether a folder belongs to records; one that carries no mark is marked if it does.

    `known` gives names of files that the records know: without a mark an empty folder is theirs,
    and one in which they know a file (records of a version that had no marks).
    """
    mark = mark_of(folder)
    if mark:
        return mark == identity
    there = [path.name for path in files(folder)]
    if there and not set(there) & set(known()):
        return False
    with contextlib.suppress(StoreError):  # a folder that can only be looked at
        claim(folder, identity)
    return True


def foreign(store: Store) -> bool:
    """Whether the folder of photos belongs to other records."""
    with store.reading() as session:
        identity = identity_of(session)
    if store.behind is not None and store.behind.mark() != identity:
        return True
    mark = mark_of(store.photos)
    return mark != identity if mark else any(True for _ in files(store.photos))


def check_own(store: Store) -> None:
    """Refuse to write into a folder of photos that belongs to other records."""
    if foreign(store):
        raise StoreError("photos_of_others", folder=str(store.photos))


def take_over(store: Store) -> None:
    """Make the folder of photos that of these records, whatever it was before."""
    with in_use(store.photos), store.reading() as session:
        claim(store.photos, identity_of(session))
        if store.behind is not None:
            store.behind.claim(identity_of(session))
