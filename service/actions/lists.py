"""Flock lists into the records, all of it or nothing; and acts taken back."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from sqlalchemy.orm import Session

from genetics.messages import Place
from service.actions.desk import Act, Desk
from service.errors import FlockError, ListProblems, NotAllowed, UsageMistake
from service.flock.flock_csv import COLUMNS, Bird, Listed, Told, connect_list
from service.records import audit_log, entries
from service.records.birds import PLACED, stored_birds, stored_flock, take_in
from service.records.database import Store
from service.records.entries import find_bird
from service.records.exchange.dates import ORDERS
from service.records.exchange.exporting import export_as
from service.records.exchange.importing import check_size, records_from, sheet_of
from service.records.exchange.mapping import (
    EGGS,
    LIVES,
    PEN,
    Choices,
    dates_are_open,
    guess_columns,
    map_sheet,
    parents_without_row,
    under_heading,
)
from service.records.exchange.sheet import Sheet
from service.records.intake.sources import printable
from service.records.kept_backups import before_act
from service.records.memory import give_back_memory
from service.views.flock_sheet import flock_sheet
from service.wording.sentences import Message

# Lists are read one at a time, since a long one takes memory.
TURN = threading.RLock()


@dataclass(frozen=True)
class Preview:
    """What a list would bring, before anything of it is kept."""

    birds: tuple[Bird, ...]
    own: tuple[str, ...]
    """Columns that stay the keeper's own."""
    new: int
    """Birds that aren't on record yet."""
    problems: tuple[FlockError, ...]
    parents: tuple[str, ...]
    """Bands that are only named as parents."""
    dates_open: bool
    """Whether its days could be read in two ways."""


def preview_list(store: Store, sheet: Sheet, choices: Choices) -> Preview:
    """Return what a list would bring and everything that is wrong with it, keeping nothing.

    Raises FlockError where it can't even be taken apart.
    """
    problems: list[FlockError] = []
    mapped = map_sheet(sheet, choices, problems.append)
    with store.reading() as session:
        known = stored_birds(session)
    listed = with_parents(mapped, choices, known)
    connect_list(listed, sheet.name, known, as_they_come(problems, choices))
    bands = {bird.bird for bird in known}
    return Preview(
        listed.birds,
        tuple(name for name in listed.columns if name not in (*COLUMNS, *PLACED)),
        sum(bird.bird not in bands for bird in listed.birds),
        tuple(problems),
        tuple(parents_without_row(mapped.birds, known)),
        dates_are_open(sheet, choices),
    )


def with_parents(listed: Listed, choices: Choices, known: Sequence[Bird]) -> Listed:
    """Return a list with rows for birds only named as parents, if its keeper wants them."""
    if not choices.parents:
        return listed
    made = parents_without_row(listed.birds, known)
    return replace(
        listed, birds=(*listed.birds, *(Bird(band, sex=sex) for band, sex in made.items()))
    )


def as_they_come(problems: list[FlockError], choices: Choices) -> Told:
    """Return what gathers mistakes, with columns called as the list calls them."""
    theirs = {ours: heading for heading, ours in choices.columns.items()}
    return lambda error: problems.append(under_heading(error, theirs))


def import_list(
    desk: Desk, data: bytes, name: str, choices: Choices | None = None
) -> tuple[Act, int]:
    """Bring in a list, all of it or nothing; returns the act and how many birds.

    Without choices columns and words are taken as they most likely are. Raises ListProblems with
    every mistake.
    """
    check_size(len(data), name)
    with TURN:
        sheet = sheet_of(data, name)
        return import_sheet(desk, sheet, choices or Choices(guess_columns(sheet.headings)))


def import_sheet(desk: Desk, sheet: Sheet, choices: Choices) -> tuple[Act, int]:
    """Bring in a table as its keeper says it is to be taken.

    It is read before others have to wait; then only whether it fits the records is asked.
    """
    for field, words in (("pens", (LIVES, EGGS)), ("dates", ORDERS)):
        if getattr(choices, field) not in ("", *words):
            value = getattr(choices, field)
            raise UsageMistake("choice_unknown", field=field, value=value, known=words)
    said = Message("act_import", name=printable(Path(sheet.name).name)[:200])
    problems: list[FlockError] = []
    mapped = map_sheet(sheet, choices, problems.append)
    if problems:  # nobody has to wait for a list that won't be taken in
        with desk.store.reading() as session:
            known = stored_birds(session)
        told = as_they_come(problems, choices)
        connect_list(with_parents(mapped, choices, known), sheet.name, known, told)
        raise all_of(problems)
    with desk.store.writing(desk.by, said) as session:
        known = stored_birds(session)
        listed = with_parents(mapped, choices, known)
        flock = connect_list(listed, sheet.name, known, as_they_come(problems, choices))
        if problems:
            raise all_of(problems)
        if not listed.birds:
            raise FlockError("list_without_birds", place=Place(sheet.name))
        take_in(session, flock)
        for bird in listed.birds[len(mapped.birds) :]:  # the list itself may have no sexes
            find_bird(session, bird.bird).sex = bird.sex
        house(session, listed, choices)
        act = Act(session.info["act"], said, tuple(bird.bird for bird in listed.birds))
    desk.work_in(None)
    give_back_memory()
    return act, len(listed.birds)


def all_of(problems: Sequence[FlockError]) -> FlockError:
    """Return some mistakes as one error."""
    return problems[0] if len(problems) == 1 else ListProblems(problems)


def house(session: Session, listed: Listed, choices: Choices) -> None:
    """Make pens and hatches of a list's own columns, where its keeper says so."""
    pens: dict[str, list[Bird]] = {}
    if choices.pens and PEN in listed.columns:
        for bird in listed.birds:
            if bird.extra.get(PEN, ""):
                pens.setdefault(bird.extra[PEN], []).append(bird)
    if choices.pens == LIVES:
        for name, birds in pens.items():
            here = entries.living_in(session, name)
            entries.move_in(session, name, [b.bird for b in birds if b.bird not in here], None)
    hatches: dict[tuple[date, str], list[str]] = {}
    if choices.hatches or choices.pens == EGGS:
        for bird in listed.birds:
            if bird.hatched is not None:
                pen = bird.extra.get(PEN, "") if choices.pens == EGGS else ""
                hatches.setdefault((bird.hatched, pen), []).append(bird.bird)
    for (hatched, pen), bands in sorted(hatches.items()):
        called = f"{hatched.isoformat()} {pen}".strip()
        entries.enter_hatch(session, called, pen, hatched, bands=bands)


def export_flock(store: Store, form: str) -> bytes:
    """Return the flock with what was found as csv, xlsx or ods, or all records as json."""
    return export_as(store, form, flock_sheet)


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
