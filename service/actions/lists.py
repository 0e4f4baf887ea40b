"""Flock lists into the records, all of it or nothing; and acts taken back."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from genetics.messages import Place
from service.actions.desk import Act, Desk
from service.errors import FlockError
from service.flock.flock_csv import Bird, Flock, as_text, parse_flock
from service.records import audit_log
from service.records.birds import stored_birds, stored_flock, take_in
from service.records.exchange.importing import records_from
from service.records.exchange.mapping import map_table
from service.wording.sentences import Message


def import_list(desk: Desk, data: bytes, name: str) -> tuple[Act, int]:
    """Bring in a flock list as `flock.csv` is written; returns the act and how many birds."""
    text = as_text(data, name)
    return enter_list(desk, name, lambda beside: parse_flock(text, name, beside))


def import_table(
    desk: Desk, rows: Sequence[Sequence[str]], columns: Mapping[str, str], name: str
) -> tuple[Act, int]:
    """Bring in a table whose columns are mapped to ours."""
    return enter_list(desk, name, lambda beside: map_table(rows, columns, name, beside))


def enter_list(desk: Desk, name: str, read: Callable[[list[Bird]], Flock]) -> tuple[Act, int]:
    """Write a list down that `read` makes of the birds that are on record already."""
    said = Message("act_import", name=Path(name).name)
    with desk.store.writing(desk.by, said) as session:
        flock = read(stored_birds(session))
        if not flock.listed:
            raise FlockError("list_without_birds", place=Place(name))
        count = take_in(session, flock)
        bands = tuple(bird.bird for bird in flock.birds[: flock.listed])
        act = Act(session.info["act"], said, bands)
    desk.work_in(None)
    return act, count


def import_records(desk: Desk, path: Path, replace: bool) -> int:
    """Bring exported records in, in the place of all that are there; returns how many rows."""
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
        rows = audit_log.undo(session, audit_log.find_act(session, act))
        session.flush()
        stored_flock(session)
        done = Act(session.info["act"], said, ())
    desk.work_in(None)
    return done, rows
