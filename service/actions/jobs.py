"""Work that takes long: by name, so that it can wait, here or in a queue, and be done elsewhere.

Every job may be done twice: what is done already is found done.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from service.actions.desk import Desk, Job, Later
from service.actions.learning import Told, learn
from service.actions.photos import read_lot
from service.actions.readers import ReaderInUse, read_again
from service.actions.reports import make
from service.errors import Expected, status_of
from service.records.database import Store
from service.records.learning_progress import Noted, note
from service.settings import Settings
from service.wording.sentences import Message, as_data

if TYPE_CHECKING:
    from fastapi import BackgroundTasks

NOTED_EVERY = 1.0  # seconds between two notes of how far learning has come


@dataclass(frozen=True)
class Bench:
    """Where jobs are done: the records, where things lie, and who reads."""

    store: Store
    settings: Settings
    readers: ReaderInUse


def do_answers(bench: Bench, desk: Desk, values: dict[str, Any], told: Told) -> None:
    """Bring the answers of some birds' families up to date, or of all."""
    desk.work_in(values["bands"])


def do_photos(bench: Bench, desk: Desk, values: dict[str, Any], told: Told) -> None:
    """Read photos that were taken in."""
    read_lot(desk, bench.readers(), values["photos"])


def do_again(bench: Bench, desk: Desk, values: dict[str, Any], told: Told) -> None:
    """Read the photos of earlier readers again."""
    read_again(desk, bench.readers())


def do_learning(bench: Bench, desk: Desk, values: dict[str, Any], told: Told) -> None:
    """Learn from the confirmed birds; how far it has come is noted in the records."""
    last = 0.0

    def note_down(noted: Noted) -> None:
        with bench.store.writing(desk.by, Message("act_learning")) as session:
            note(session, noted)

    def tell(done: int, steps: int) -> None:
        nonlocal last
        told(done, steps)
        if time.monotonic() - last > NOTED_EVERY:
            note_down(Noted(done, steps))
            last = time.monotonic()

    note_down(Noted())
    try:
        found = learn(desk, bench.settings, bench.readers.shipped, tell)
    except Expected as error:
        if status_of(error) < 500:
            note_down(Noted(trouble=as_data(error)))
        raise
    note_down(Noted(name=found["name"]))


def do_report(bench: Bench, desk: Desk, values: dict[str, Any], told: Told) -> None:
    """Make a report that was asked for."""
    make(bench.store, values["number"])


JOBS: dict[str, Callable[[Bench, Desk, dict[str, Any], Told], None]] = {
    "answers": do_answers,
    "photos": do_photos,
    "again": do_again,
    "learning": do_learning,
    "report": do_report,
}


def do(bench: Bench, job: Job, told: Told = lambda *_: None) -> None:
    """Do a job. Raises KeyError for one that there isn't, and what the work raises."""
    desk = Desk(bench.store, bench.readers().card.prior, job.by, job.on)
    JOBS[job.name](bench, desk, job.values, told)


class Jobs(Protocol):
    """Where pages leave jobs."""

    def after(self, tasks: BackgroundTasks) -> Later:
        """Return what takes the jobs of one request."""
        ...


class JobsHere:
    """Jobs done by the server itself, once it has answered."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def after(self, tasks: BackgroundTasks) -> Later:
        """Return what takes the jobs of one request."""
        return lambda job: tasks.add_task(do, self.bench, job)
