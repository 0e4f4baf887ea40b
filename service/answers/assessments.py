"""Kept birds judged as in a triage, from the answers that are kept."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.flock.assessment import Item, item_of
from service.flock.candidates import Candidate
from service.records.birds import as_listed, stored_readings
from service.records.tables import AnswerRow, BirdRow


def assess_birds(session: Session, bands: Iterable[str]) -> dict[str, Item]:
    """Birds with photos, by band, each with its candidates, its pile and why."""
    wanted = list(bands)
    readings = stored_readings(session, wanted)
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
        )
        for bird, answer in rows
    }
