"""Kept birds judged as in a triage, from the answers that are kept."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.flock.assessment import Item, PersonLook, item_of
from service.flock.candidates import Candidate
from service.records.birds import as_listed, stored_readings
from service.records.database import lots
from service.records.tables import AnswerRow, BirdRow, PhotoRow, ReadingRow


def assess_birds(session: Session, bands: Iterable[str]) -> dict[str, Item]:
    """Birds with photos, by band, each with its candidates, its pile and why."""
    wanted = list(bands)
    readings = stored_readings(session, wanted)
    looks = person_looks(session, list(readings))
    rows = session.execute(
        select(BirdRow, AnswerRow).join(AnswerRow).where(BirdRow.band.in_(list(readings)))
    )
    return {
        bird.band: item_of(
            bird.band,
            (),
            tuple(readings[bird.band]),
            Candidate.from_data(answer.content),
            as_listed(bird),
            looks.get(bird.band, ()),
        )
        for bird, answer in rows
    }


def person_looks(session: Session, bands: Iterable[str]) -> dict[str, list[PersonLook]]:
    """Return what people see on the photos of some birds, by band; of each person the newest."""
    newest: dict[tuple[str, str], str] = {}
    said: dict[tuple[str, str], set[str]] = {}
    for some in lots(list(bands)):
        query = (
            select(BirdRow.band, ReadingRow.by, ReadingRow.comb, ReadingRow.blind)
            .join(PhotoRow, PhotoRow.bird_id == BirdRow.id)
            .join(ReadingRow, ReadingRow.photo_sha256 == PhotoRow.sha256)
            .where(ReadingRow.person, BirdRow.band.in_(some))
            .order_by(ReadingRow.id)
        )
        for band, by, comb, blind in session.execute(query):
            newest[band, by] = comb or newest.get((band, by), "")
            if blind:
                said.setdefault((band, by), set()).add(comb)
    found: dict[str, list[PersonLook]] = {}
    for (band, by), comb in newest.items():
        found.setdefault(band, []).append(PersonLook(by, comb, comb in said.get((band, by), ())))
    return found
