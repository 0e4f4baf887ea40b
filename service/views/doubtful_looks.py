"""What people said of photos that may be a slip: reader or relatives deny it confidently."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from classifier.outputs import coarse_chances
from classifier.vocabulary import COARSE, coarse_of
from service.flock.label_errors import confident_disagreements
from service.records.birds import stored_flock
from service.records.readings import model_reading
from service.records.tables import PhotoRow, ReadingRow
from service.views.confirmed import combs_by_relatives, may_teach

MOST = 20


@dataclass(frozen=True)
class DoubtfulLook:
    """A photo on which what a person said is denied."""

    photo: PhotoRow
    by: str
    said: str
    read: str
    """What the reader says, if that denies it."""
    chance: float
    """How likely the reader holds what was said."""
    due: str
    """What relatives leave, if that denies it."""


def doubtful_looks(session: Session, prior: Sequence[float], on: date) -> list[DoubtfulLook]:
    """Return the newest look of a person at each photo that is worth another, the worst first.

    The reader has learned from none of them, or reads them as one that hasn't (see `learn`).
    """
    by_person = select(ReadingRow.photo_sha256).where(ReadingRow.person)
    query = select(PhotoRow).where(PhotoRow.sha256.in_(by_person), PhotoRow.like == "")
    options = selectinload(PhotoRow.readings), selectinload(PhotoRow.bird)
    names = list(COARSE)
    photos, looks, chances = [], [], []
    for photo in session.scalars(query.order_by(PhotoRow.id).options(*options)):
        said = [r for r in photo.readings if r.person][-1]
        reading = model_reading(photo)
        if coarse_of(said.comb) and reading and may_teach(reading):
            photos.append(photo)
            looks.append(said)
            chances.append(coarse_chances(np.array(reading.comb)))
    if not photos:
        return []
    due = combs_by_relatives(session, stored_flock(session), prior, on)
    table = np.array(chances)
    labels = [names.index(str(coarse_of(look.comb))) for look in looks]
    denied = set(confident_disagreements(table, labels))
    found = []
    for i, (photo, look) in enumerate(zip(photos, looks, strict=True)):
        left = due.get(photo.bird.band, "") if photo.bird else ""
        against = left if left and coarse_of(left) != coarse_of(look.comb) else ""
        if i in denied or against:
            read = names[int(table[i].argmax())] if i in denied else ""
            chance = float(table[i, labels[i]])
            found.append(DoubtfulLook(photo, look.by, look.comb, read, chance, against))
    return sorted(found, key=lambda f: (not (f.read and f.due), f.chance, f.photo.id))[:MOST]
