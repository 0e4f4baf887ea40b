"""Whether the reader keeps its word on this flock, and whether its photos are what it knows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from classifier.vocabulary import coarse_of
from service.flock.drift import Drift, drift_of
from service.records.readings import reading_from_row
from service.records.tables import PhotoRow, ReadingRow

# Settled means at most 3 in 100 wrong: what the reader was tuned to, and its card tells.
SETTLED_WRONG = 0.03
# Of 295 readable heads in photographs that no training saw 14 were unlike those of the training
# (4.7 %; upper bound of its 95 % interval 7.8 %, Clopper and Pearson 1934).
UNLIKE = 0.08


@dataclass(frozen=True)
class Watch:
    """What two tests say of the reader in use."""

    word: Drift
    """Settled readings that people read otherwise, one of each bird."""
    photos: Drift
    """Photos with a head unlike those of the training, one of each bird."""

    @property
    def warns(self) -> bool:
        """Whether either gives a promise up."""
        return self.word.broken or self.photos.broken


def watch_reader(session: Session, model: str) -> Watch:
    """Test the readings of a model in the order in which they were made and confirmed."""
    query = (
        select(PhotoRow)
        .where(PhotoRow.like == "", PhotoRow.readings.any(ReadingRow.by == model))
        .order_by(PhotoRow.id)
        .options(selectinload(PhotoRow.readings))
    )
    confirmed: list[tuple[datetime, int, bool]] = []
    unlike: list[bool] = []
    birds_confirmed: set[int] = set()
    birds_seen: set[int] = set()
    for photo in session.scalars(query):
        row = next(r for r in photo.readings if r.by == model and not r.person)
        reading = reading_from_row(row)
        if reading.pile == "new_photo" or reading.head.source == "whole":
            continue
        bird = photo.bird_id if photo.bird_id is not None else -photo.id
        if bird not in birds_seen:
            birds_seen.add(bird)
            unlike.append(bool(reading.mistake and reading.mistake.reason == "unlike"))
        blind = [r for r in photo.readings if r.person and r.blind and coarse_of(r.comb)]
        if reading.pile == "settled" and blind and bird not in birds_confirmed:
            birds_confirmed.add(bird)
            wrong = coarse_of(blind[-1].comb) != coarse_of(reading.best)
            confirmed.append((blind[-1].made, blind[-1].id, wrong))
    word = drift_of([wrong for _, _, wrong in sorted(confirmed)], SETTLED_WRONG)
    return Watch(word, drift_of(unlike, UNLIKE))
