"""Groups of birds that are walked through together: a hatch, a pen, or all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import ColumnElement, func, select, true
from sqlalchemy.orm import Session

from service import clock
from service.records.tables import BirdRow, HatchRow, PenBirdRow, PenRow, PhotoRow
from service.views.bird_list import noted_now

KINDS = ("hatch", "pen", "all")
MOST = 500  # bands that one walk lists; more are reached by typing


@dataclass(frozen=True)
class Group:
    """A hatch or pen with its size."""

    kind: str
    id: int
    name: str
    birds: int
    on: date | None = None


@dataclass(frozen=True)
class Walked:
    """A bird of a walk."""

    band: str
    sex: str
    photos: int
    today: int
    """Photos taken in since the walk's day began."""
    crest: bool | None = None
    beard: bool | None = None


def members(kind: str, number: int) -> ColumnElement[bool]:
    """Which birds belong to a group."""
    if kind == "hatch":
        return BirdRow.hatch_id == number
    if kind == "pen":
        stays = select(PenBirdRow.bird_id).where(
            PenBirdRow.pen_id == number, PenBirdRow.until.is_(None)
        )
        return BirdRow.id.in_(stays)
    return true()


def groups(session: Session) -> list[Group]:
    """Hatches, the newest first, then pens by name."""
    banded = dict(
        session.execute(select(BirdRow.hatch_id, func.count()).group_by(BirdRow.hatch_id)).all()
    )
    living = dict(
        session.execute(
            select(PenBirdRow.pen_id, func.count(PenBirdRow.bird_id.distinct()))
            .where(PenBirdRow.until.is_(None))
            .group_by(PenBirdRow.pen_id)
        ).all()
    )
    hatches = session.scalars(select(HatchRow).order_by(HatchRow.id.desc())).all()
    pens = session.scalars(select(PenRow).order_by(PenRow.name)).all()
    return [
        *(Group("hatch", h.id, h.name, banded.get(h.id, 0), h.hatched) for h in hatches),
        *(Group("pen", p.id, p.name, living.get(p.id, 0)) for p in pens),
    ]


def group(session: Session, kind: str, number: int) -> Group | None:
    """One group; None if there is none such."""
    if kind == "all":
        return Group("all", 0, "", session.scalar(select(func.count(BirdRow.id))) or 0)
    return next((g for g in groups(session) if g.kind == kind and g.id == number), None)


def birds_on_walk(session: Session, kind: str, number: int, on: date) -> Sequence[Walked]:
    """Return the birds of a group in the order of their records, with their photos."""
    since = clock.start_of(on)
    query = (
        select(
            BirdRow.band,
            BirdRow.sex,
            func.count(PhotoRow.id),
            func.count(PhotoRow.id).filter(PhotoRow.taken_in >= since),
            noted_now("crest"),
            noted_now("beard"),
        )
        .outerjoin(PhotoRow, PhotoRow.bird_id == BirdRow.id)
        .where(members(kind, number))
        .group_by(BirdRow.id)
        .order_by(BirdRow.id)
        .limit(MOST)
    )
    return [
        Walked(*row[:4], *(None if seen is None else bool(seen) for seen in row[4:]))
        for row in session.execute(query)
    ]
