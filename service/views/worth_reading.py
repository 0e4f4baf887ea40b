"""Which photos to read blind next: the few that teach most, so many a day."""

from __future__ import annotations

from datetime import UTC, datetime, time

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session, selectinload

from classifier.outputs import coarse_chances
from service import clock
from service.records.readings import model_reading
from service.records.tables import PhotoRow, PileRow, ReadingRow
from service.views.confirmed import may_teach

A_DAY = 5
CONSIDERED = 60  # photos of the worst risk among which they are chosen
ALIKE = 0.7  # part of its worth that a photo loses beside one of the same kind
SAME_BIRD = 0.5  # of a photo's worth where one of its bird is chosen already


def worth_reading(session: Session, most: int = A_DAY) -> list[PhotoRow]:
    """Return photos that nobody has read blind, chosen for doubt and for being unlike each other.

    As many fewer as were read blind today.
    """
    left = most - read_today(session)
    if left <= 0:
        return []
    blind = exists().where(
        ReadingRow.photo_sha256 == PhotoRow.sha256, ReadingRow.person, ReadingRow.blind
    )
    rows = session.scalars(
        select(PhotoRow)
        .join(PileRow, PileRow.photo_id == PhotoRow.id)
        .where(~blind, PhotoRow.like == "")
        .order_by(PileRow.risk.desc(), PhotoRow.id)
        .limit(CONSIDERED)
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    ).all()
    seen = [(row, reading) for row in rows if (reading := model_reading(row))]
    usable = [(row, reading) for row, reading in seen if may_teach(reading)]
    if not usable:
        return []
    combs = np.array([reading.comb for _, reading in usable])
    chosen = chosen_of(combs, [row.bird_id for row, _ in usable], left)
    return [usable[i][0] for i in chosen]


def read_today(session: Session) -> int:
    """Return how many photos were read blind since the day began (UTC)."""
    began = datetime.combine(clock.today(), time(), UTC)
    query = select(func.count(func.distinct(ReadingRow.photo_sha256)))
    return session.scalar(
        query.where(ReadingRow.person, ReadingRow.blind, ReadingRow.made >= began)
    ) or 0  # fmt: skip


def chosen_of(combs: NDArray[np.float64], birds: list[int | None], most: int) -> list[int]:
    """Return which readings (n, 6) to take, the most doubtful first, each unlike those before."""
    coarse = coarse_chances(combs)
    doubt = -(coarse * np.log(np.maximum(coarse, 1e-9))).sum(1)
    worth, chosen = doubt + 1e-6, []
    for _ in range(min(most, len(combs))):
        best = int(worth.argmax())
        chosen.append(best)
        near = 1 - np.abs(combs - combs[best]).sum(1) / 2
        worth = worth * (1 - ALIKE * near)
        if birds[best] is not None:
            worth = worth * np.array([SAME_BIRD if b == birds[best] else 1.0 for b in birds])
        worth[chosen] = -1.0
    return chosen
