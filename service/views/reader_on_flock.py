"""How the reader did on this flock: its readings against what people read blind."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from classifier.vocabulary import COARSE, coarse_of
from service.records.readings import model_reading
from service.records.tables import PhotoRow, ReadingRow


@dataclass(frozen=True)
class Confirmed:
    """Photos with a reading and a blind look by a person, by coarse comb."""

    classes: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]
    """Rows as people read them, columns as the model did."""
    cant_tell: int
    """Photos where the model proposed nothing."""
    settled: int
    settled_wrong: int

    @property
    def photos(self) -> int:
        """Photos on which both said something."""
        return sum(map(sum, self.counts))

    @property
    def right(self) -> int:
        """Photos on which both said the same."""
        return sum(row[i] for i, row in enumerate(self.counts))


def confirm_reader(session: Session) -> Confirmed:
    """Compare the newest reading with the newest blind look at each photo."""
    classes = tuple(COARSE)
    counts = [[0] * len(classes) for _ in classes]
    cant_tell = settled = wrong = 0
    read = select(ReadingRow.photo_sha256).where(ReadingRow.person, ReadingRow.blind)
    query = select(PhotoRow).where(PhotoRow.sha256.in_(read), PhotoRow.like == "")
    for photo in session.scalars(query.options(selectinload(PhotoRow.readings))):
        looks = [r.comb for r in photo.readings if r.person and r.blind and r.comb]
        reading = model_reading(photo)
        if reading is None or not looks:
            continue
        truth = coarse_of(looks[-1])
        if truth is None:
            continue
        if reading.proposal is None:
            cant_tell += 1
            continue
        read_as = coarse_of(reading.proposal)
        assert read_as is not None
        counts[classes.index(truth)][classes.index(read_as)] += 1
        settled += reading.pile == "settled"
        wrong += reading.pile == "settled" and truth != read_as
    return Confirmed(classes, tuple(map(tuple, counts)), cant_tell, settled, wrong)
