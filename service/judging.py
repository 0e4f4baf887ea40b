"""Kept birds judged as in a triage, from the answers that are kept."""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.families import Answers, as_candidate
from service.store.database import Store
from service.store.models import AnswerRow, BirdRow
from service.store.records import as_listed, kept_readings
from service.triage import Item, item_of


def refresh(
    store: Store,
    prior: Sequence[float],
    bands: Iterable[str] | None = None,
    culprits: Container[str] | None = None,
) -> list[str]:
    """Work out again what changed, in a transaction of its own; returns the bands.

    With `culprits` conflicts are explained of those birds alone.
    """
    with store.writing("combwright", "candidates worked out") as session:
        return Answers(session, prior, date.today()).refresh(bands, culprits)


def judged(session: Session, bands: Iterable[str]) -> dict[str, Item]:
    """Birds with photos, by band, each with its candidates, its pile and why."""
    wanted = list(bands)
    readings = kept_readings(session, wanted)
    rows = session.execute(
        select(BirdRow, AnswerRow).join(AnswerRow).where(BirdRow.band.in_(list(readings)))
    )
    return {
        bird.band: item_of(
            bird.band,
            (),
            tuple(readings[bird.band]),
            as_candidate(answer.content),
            as_listed(bird),
        )
        for bird, answer in rows
    }
