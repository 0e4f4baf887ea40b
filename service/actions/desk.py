"""Who acts, on which records and on which day; and how an act is carried out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from service.answers.refresh import refresh
from service.records.birds import stored_flock
from service.records.database import Store
from service.wording.sentences import Message

KEEPER = "keeper"  # who acts where nobody is named
LONGEST_NAME = 80


@dataclass(frozen=True)
class Job:
    """Work that is left for after the answer; see `service.actions.jobs` for what there is."""

    name: str
    by: str
    on: date
    values: dict[str, Any] = field(default_factory=dict)
    """What JSON can hold."""


Later = Callable[[Job], Any]


@dataclass(frozen=True)
class Desk:
    """Where a keeper sits: the records, the reader's training prior, a name and a day.

    With `later` what takes long, as many families do, is left for after the answer.
    """

    store: Store
    prior: tuple[float, ...]
    by: str
    on: date
    later: Later | None = None
    own_acts_only: bool = False
    """Whether what others did can't be taken back from here."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "by", self.by.strip()[:LONGEST_NAME] or KEEPER)

    def work_in(self, bands: Sequence[str] | None) -> None:
        """Bring the answers of some birds' families up to date, or of all (None)."""
        ask = (self.store, self.prior, self.on)
        if bands is not None and not bands:
            return
        if self.later is None or (bands is not None and len(bands) <= 2):
            refresh(*ask, bands)
        else:
            self.leave("answers", bands=None if bands is None else list(bands))

    def leave(self, name: str, **values: Any) -> None:
        """Leave a job for later."""
        assert self.later is not None
        self.later(Job(name, self.by, self.on, values))


@dataclass(frozen=True)
class Act:
    """What was done: its name on the trail, what it was, and the birds it touched."""

    name: str
    said: Message
    bands: tuple[str, ...]


def perform(
    desk: Desk,
    said: Message,
    work: Callable[[Session], Iterable[str]],
    *,
    relations: bool = False,
) -> Act:
    """Do `work` as one act; it returns the bands of the birds it touched.

    An act on `relations` (parents, days, pens) is refused if the birds wouldn't fit each other
    afterwards. Raises what `work` raises, and then nothing of it is written.
    """
    with desk.store.writing(desk.by, said) as session:
        touched = tuple(dict.fromkeys(work(session)))
        if relations:
            session.flush()
            stored_flock(session)
        name: str = session.info["act"]
    desk.work_in(touched)
    return Act(name, said, touched)
