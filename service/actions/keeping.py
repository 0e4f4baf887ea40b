"""Records kept safe: brought back, moved to another database, backed up each day of use."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import delete, insert, select

from service.actions.desk import Desk
from service.errors import Clash, StoreError
from service.installation import open_store
from service.records.backup import dump_records, load, parse_records, restart, restore
from service.records.database import Store
from service.records.identity import take_identity, take_over
from service.records.kept_backups import before_act, daily
from service.records.photo_files import in_use
from service.records.tables import AccountRow, InvitationRow, PhotoRow
from service.records.verify import verify
from service.settings import Settings
from service.wording.sentences import Message

Told = Callable[[], None]
MOVED_APART = (AccountRow, InvitationRow)  # in no export, but they move along


def back_up_today(desk: Desk) -> Path | None:
    """Back the records up on their first day of use; what stands in the way goes into the log."""
    try:
        return daily(desk.store, desk.store.backups, desk.on)
    except StoreError as error:
        logging.getLogger(__name__).warning("no backup of today: %s", error)
        return None


def bring_back(desk: Desk, path: Path, replace: bool, told: Told = lambda: None) -> int:
    """Bring a backup back; returns how many photos. Records that it replaces are backed up first.

    Raises StoreError.
    """
    if replace:
        before_act(desk.store, desk.store.backups, "restore")
    count = restore(desk.store, path, replace, told)
    desk.work_in(None)
    return count


def move_records(store: Store, to: Settings, told: Told = lambda: None) -> int:
    """Copy records, accounts and photos into another database and home; returns how many photos.

    Both sides are verified, and held against each other. What is moved from stays as it is. Raises
    StoreError.
    """
    check_sound(store)
    with store.reading() as session:
        text = dump_records(session)
        photos = session.execute(select(PhotoRow.sha256, PhotoRow.suffix)).all()
    target = open_store(to)
    try:
        there = store.behind.url if store.behind is not None else ""
        if to.photos.resolve() != store.photos.resolve() or to.photo_store != there:
            with in_use(to.photos):
                for sha256, suffix in photos:
                    target.keep_photo(store.photo(sha256, suffix).read_bytes(), suffix)
                    told()
        content = parse_records(text, to.database)
        with target.writing("combwright", Message("act_restore")) as session:
            load(session, content, to.database, replace=False)
            take_identity(session, content.identity)
        copy_accounts(store, target)
        take_over(target)
        check_sound(target)
        with target.reading() as session:
            if dump_records(session) != text:
                raise Clash("moved_differs")
    finally:
        target.engine.dispose()
    return len(photos)


def check_sound(store: Store) -> None:
    """Refuse records in which `verify` finds anything. Raises StoreError."""
    found = verify(store).complaints
    if found:
        raise StoreError("records_unsound_here", number=len(found), first=found[0])


def copy_accounts(store: Store, target: Store) -> None:
    """Let the same people in at the other side; they sign in anew."""
    with store.reading() as session:
        rows = {
            kind: [dict(row) for row in session.execute(select(kind.__table__)).mappings()]
            for kind in MOVED_APART
        }
    with target.writing("combwright", Message("act_access")) as session:
        for kind, some in rows.items():
            session.execute(delete(kind))
            if some:
                session.execute(insert(kind), some)
            restart(session, kind.__table__)  # type: ignore[arg-type]
