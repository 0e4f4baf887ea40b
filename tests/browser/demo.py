"""The demo flock as a store with pens, hatches, looks and decisions, and a server on it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

from sqlalchemy import select

from benchmarks.served import running
from service.actions.access import add_account, make_owner
from service.answers.refresh import refresh
from service.flock.flock_csv import parse_flock
from service.installation import open_store
from service.records.birds import stored_birds, take_in
from service.records.database import Store
from service.records.entries import enter_chicks, enter_decision, enter_hatch, move_in
from service.records.intake.journal import Options, one
from service.records.intake.read_pending import read_pending
from service.records.intake.sources import files_of
from service.records.readings import row_from_person
from service.records.tables import BirdRow, PhotoRow
from service.settings import Settings
from tests.conftest import DEMO

PASSWORD = "feather dust and grit"
F1, THIRD = date(2025, 3, 22), date(2026, 4, 11)


def build(settings: Settings, with_photos: bool = True) -> Store:
    """Bring the demo flock into an empty store and work it out."""
    from service.model import default_reader

    settings.home.mkdir(parents=True, exist_ok=True)
    store, reader = open_store(settings), default_reader()
    with store.writing("keeper", "demo flock") as session:
        text = (DEMO / "flock.csv").read_text(encoding="utf-8")
        take_in(session, parse_flock(text, "flock.csv", stored_birds(session)))
    with store.writing("keeper", "demo pens and hatches") as session:
        birds = session.scalars(select(BirdRow)).all()
        old = [b.band for b in birds if b.hatched and b.hatched < F1]
        young = [b.band for b in birds if b.hatched == THIRD]
        first = [b.band for b in birds if b.hatched == F1]
        move_in(session, "Orchard", old, date(2024, 12, 1))
        move_in(session, "Barn", first, date(2025, 12, 1))
        enter_hatch(session, "March 2025", "Orchard", F1, 12, len(first), first)
        enter_hatch(session, "April 2026", "", THIRD, 48, len(young), young)
    if with_photos:
        bands = {b.band for b in birds}
        for file in files_of([DEMO])[1]:
            one(store, file, Options(), bands)
        read_pending(store, reader)
        look(store)
    make_owner(store, "Ann", PASSWORD)
    add_account(store, "Beth", "read", PASSWORD)
    refresh(store, reader.card.prior, date(2026, 10, 4))
    return store


def look(store: Store) -> None:
    """Two people read some photos blind; chicks are counted; one decision is written down."""
    with store.writing("Ann", "blind looks") as session:
        photos = session.scalars(select(PhotoRow).order_by(PhotoRow.id)).all()
        for number, photo in enumerate(photos[:12]):
            models = [r for r in photo.readings if not r.person]
            said = models[-1].comb if models else ""
            now = datetime.now(UTC)
            photo.readings.append(row_from_person("Ann", now, said, blind=True))
            if number % 2:
                seen = "walnut" if number == 5 else said
                photo.readings.append(row_from_person("Beth", now, seen, blind=True))
    with store.writing("Ann", "chicks counted") as session:
        bird = {b.band: b for b in session.scalars(select(BirdRow))}
        cock = next(b for b in bird.values() if b.sex == "cock" and b.hatched == F1)
        hen = next(b for b in bird.values() if b.sex == "hen" and b.comb == "single")
        enter_chicks(
            session, cock.band, hen.band, {"walnut": 2, "rose": 3, "single": 1}, "Ann", "test"
        )
        enter_decision(
            session, "25", "Ann", "recheck", "the crest hides the comb", date(2026, 11, 15)
        )


@contextlib.contextmanager
def served(settings: Settings) -> Iterator[str]:
    """A server on a store, in a process of its own; gives its address."""
    with running(settings) as server:
        yield server.url


def settings_in(home: Path) -> Settings:
    """Settings of a store in a folder."""
    return Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")
