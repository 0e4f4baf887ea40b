"""Flock lists into the records, all of it or nothing; and acts taken back."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

from genetics.messages import Place
from service.actions.desk import Act, Desk
from service.errors import FlockError, NotAllowed
from service.flock.flock_csv import Listed, as_text, connect_list, parse_rows
from service.records import audit_log
from service.records.birds import stored_birds, stored_flock, take_in
from service.records.exchange.importing import MOST_ROWS, check_size, records_from
from service.records.exchange.mapping import map_table
from service.records.intake.sources import printable
from service.records.kept_backups import before_act
from service.records.memory import give_back_memory
from service.wording.sentences import Message

# Lists are read one at a time, since a long one takes memory.
TURN = threading.Lock()


def import_list(desk: Desk, data: bytes, name: str) -> tuple[Act, int]:
    """Bring in a flock list as `flock.csv` is written; returns the act and how many birds."""
    check_size(len(data), name)
    with TURN:
        listed = parse_rows(as_text(data, name), name, MOST_ROWS)
        return enter_list(desk, name, listed)


def import_table(
    desk: Desk, rows: Sequence[Sequence[str]], columns: Mapping[str, str], name: str
) -> tuple[Act, int]:
    """Bring in a table whose columns are mapped to ours."""
    with TURN:
        return enter_list(desk, name, map_table(rows, columns, name))


def enter_list(desk: Desk, name: str, listed: Listed) -> tuple[Act, int]:
    """Write a list down that was read before; only whether it fits is asked while others wait."""
    said = Message("act_import", name=printable(Path(name).name)[:200])
    if not listed.birds:
        raise FlockError("list_without_birds", place=Place(name))
    with desk.store.writing(desk.by, said) as session:
        flock = connect_list(listed, name, stored_birds(session))
        count = take_in(session, flock)
        bands = tuple(bird.bird for bird in listed.birds)
        act = Act(session.info["act"], said, bands)
    desk.work_in(None)
    give_back_memory()
    return act, count


def import_records(desk: Desk, path: Path, replace: bool) -> int:
    """Bring exported records in, in the place of all that are there; returns how many rows."""
    if replace:
        before_act(desk.store, desk.store.backups, "import")
    count = records_from(desk.store, path, replace, desk.by)
    desk.work_in(None)
    return count


def undo(desk: Desk, act: str) -> tuple[Act, int]:
    """Take back one act, by its name or the beginning of it; this too can be taken back.

    Returns the act of taking back, and how many rows it changed. Refused if what is left wouldn't
    fit together.
    """
    said = Message("act_undo", act=act[:8])
    with desk.store.writing(desk.by, said) as session:
        found = audit_log.find_act(session, act)
        if desk.own_acts_only and audit_log.author(session, found) != desk.by:
            raise NotAllowed("not_your_act")
        rows = audit_log.undo(session, found)
        session.flush()
        stored_flock(session)
        done = Act(session.info["act"], said, ())
    desk.work_in(None)
    return done, rows
