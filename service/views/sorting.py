"""The table at which readings are confirmed or corrected: what lies in which pile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, exists, func, select
from sqlalchemy.orm import Session, selectinload

from service.flock.assessment import PILE_ORDER
from service.records.tables import BirdRow, PhotoRow, PileRow, ReadingRow


@dataclass(frozen=True)
class Progress:
    """How far the looking has come."""

    photos: int
    read: int
    """By the model."""
    looked_at: int
    """Of those read, by a person as well."""
    open: dict[str, int]
    """Not looked at yet, by pile."""

    @property
    def waiting(self) -> int:
        """Photos that the model hasn't read yet."""
        return self.photos - self.read


def of_hatch(query: Select[Any], hatch: int | None) -> Select[Any]:
    """Return a query over photos and piles, for one hatch only."""
    return query if hatch is None else query.where(photos_of_hatch(hatch))


def photos_of_hatch(hatch: int) -> ColumnElement[bool]:
    """Which photos are of birds of a hatch."""
    return PhotoRow.bird_id.in_(select(BirdRow.id).where(BirdRow.hatch_id == hatch))


def progress(session: Session, hatch: int | None = None) -> Progress:
    """Return counts of the whole table or of one hatch."""
    photos = session.scalar(of_hatch(select(func.count(PhotoRow.id)), hatch)) or 0
    query = select(PileRow.looked_at, PileRow.pile, func.count())
    if hatch is not None:
        query = query.where(PileRow.photo_id.in_(select(PhotoRow.id).where(photos_of_hatch(hatch))))
    rows = session.execute(query.group_by(PileRow.looked_at, PileRow.pile)).all()
    return Progress(
        photos,
        sum(n for _, _, n in rows),
        sum(n for seen, _, n in rows if seen),
        {p: sum(n for seen, pile, n in rows if pile == p and not seen) for p in PILE_ORDER},
    )


def of_pile(
    session: Session, pile: str, hatch: int | None, most: int, start: int = 0
) -> Sequence[PhotoRow]:
    """Photos of a pile that nobody has looked at, worst risk first."""
    chosen = select(PileRow.photo_id).where(PileRow.looked_at.is_(False), PileRow.pile == pile)
    if hatch is not None:
        chosen = chosen.where(
            PileRow.photo_id.in_(select(PhotoRow.id).where(photos_of_hatch(hatch)))
        )
    chosen = chosen.order_by(PileRow.risk.desc(), PileRow.photo_id).limit(most).offset(start)
    numbers = session.scalars(chosen).all()
    rows = session.scalars(
        select(PhotoRow)
        .where(PhotoRow.id.in_(numbers))
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    ).all()
    place = {number: i for i, number in enumerate(numbers)}
    return sorted(rows, key=lambda row: place[row.id])


def beside(session: Session, photo: PhotoRow) -> list[PhotoRow]:
    """Return a photo and its bird's others that nobody has looked at, near-duplicates left out."""
    if photo.bird_id is None:
        return [photo]
    query = (
        select(PhotoRow)
        .join(PileRow, PileRow.photo_id == PhotoRow.id)
        .where(PhotoRow.bird_id == photo.bird_id, PhotoRow.id != photo.id, PhotoRow.like == "")
        .where(PileRow.looked_at.is_(False))
        .order_by(PhotoRow.id)
    )
    return [photo, *session.scalars(query)]


def to_read_blind(session: Session, by: str, hatch: int | None, most: int) -> Sequence[PhotoRow]:
    """Photos that a person hasn't read, in an order that tells nothing of their readings."""
    mine = exists().where(
        ReadingRow.photo_sha256 == PhotoRow.sha256, ReadingRow.person, ReadingRow.by == by
    )
    query = select(PhotoRow).where(~mine, PhotoRow.like == "")
    if hatch is not None:
        query = query.where(photos_of_hatch(hatch))
    return session.scalars(
        query.order_by(PhotoRow.sha256)  # as good as chance
        .limit(most)
        .options(selectinload(PhotoRow.bird), selectinload(PhotoRow.readings))
    ).all()
