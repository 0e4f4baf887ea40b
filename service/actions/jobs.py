"""Work that takes long: by name, so that it can wait, here or in a queue, and be done elsewhere.

Every job may be done twice: what is done already is found done.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from service.actions.desk import Desk, Job, Later
from service.actions.learning import Told, learn
from service.actions.photos import read_lot
from service.actions.readers import ReaderInUse, read_again
from service.records.database import Store
from service.settings import Settings

if TYPE_CHECKING:
    from fastapi import BackgroundTasks


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
    """Learn from the confirmed birds."""
    learn(desk, bench.settings, bench.readers.shipped, told)


JOBS: dict[str, Callable[[Bench, Desk, dict[str, Any], Told], None]] = {
    "answers": do_answers,
    "photos": do_photos,
    "again": do_again,
    "learning": do_learning,
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
