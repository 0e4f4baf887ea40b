"""The pile of every read photo, kept so that thousands can be sorted without judging them anew.

Whoever writes readings, photos or answers need not think of it: what a session touched is judged
again before it commits.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import ColumnElement, delete, insert, select
from sqlalchemy.orm import Session, selectinload, sessionmaker

from classifier.reading import risk
from service.answers.assessments import assess_birds
from service.records.database import Store, lots
from service.records.readings import model_reading
from service.records.seals import seal_row
from service.records.tables import BirdRow, PhotoRow, PileRow, ReadingRow
from service.wording.sentences import Message

PHOTOS, BANDS = "photos to sort", "birds to sort"  # what a session has touched, in its info


def watch_piles(sessions: sessionmaker[Session]) -> None:
    """Let every session of these sort the photos that it touched."""
    from sqlalchemy import event

    @event.listens_for(sessions, "after_flush")
    def note(session: Session, _: Any) -> None:
        touched = session.info.setdefault(PHOTOS, set())
        for item in (*session.new, *session.dirty, *session.deleted):
            if isinstance(item, ReadingRow):
                touched.add(item.photo_sha256)
            elif isinstance(item, PhotoRow):
                touched.add(item.sha256)

    @event.listens_for(sessions, "before_commit")
    def sort(session: Session) -> None:
        session.flush()
        photos, bands = session.info.pop(PHOTOS, ()), session.info.pop(BANDS, ())
        for some in lots(sorted(photos)):
            sort_out(session, PhotoRow.sha256.in_(some))
        for some in lots(sorted(bands)):
            sort_out(session, PhotoRow.bird.has(BirdRow.band.in_(some)))


def rejudge(session: Session, bands: Iterable[str]) -> None:
    """Judge the photos of some birds again when this session commits."""
    session.info.setdefault(BANDS, set()).update(bands)


def sort_out(session: Session, which: ColumnElement[bool]) -> None:
    """Write the piles of some photos; those that no model has read have none."""
    query = select(PhotoRow).where(which)
    photos = session.scalars(
        query.options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird)),
        execution_options={"populate_existing": True},
    ).all()
    items = assess_birds(session, {p.bird.band for p in photos if p.bird})
    rows = []
    for photo in photos:
        reading = model_reading(photo)
        if reading is None:
            continue
        item = items.get(photo.bird.band) if photo.bird else None
        rows.append(
            {
                "photo_id": photo.id,
                "pile": item.pile if item else reading.pile,
                "risk": item.risk if item else risk(reading.best, reading.comb),
                "looked_at": any(r.person for r in photo.readings),
            }
        )
    session.execute(delete(PileRow).where(PileRow.photo_id.in_([p.id for p in photos])))
    if rows:
        session.execute(insert(PileRow), [{**row, "seal": seal_row(row)} for row in rows])


def catch_up(store: Store) -> int:
    """Sort the photos that were read before there were piles, or restored; returns how many."""
    with store.reading() as session:
        lacking = session.scalars(
            select(PhotoRow.id)
            .where(PhotoRow.id.not_in(select(PileRow.photo_id)))
            .where(PhotoRow.readings.any(ReadingRow.person.is_(False)))
        ).all()
    for some in lots(lacking):
        with store.writing("combwright", Message("act_photos_sorted")) as session:
            sort_out(session, PhotoRow.id.in_(some))
    return len(lacking)
