"""The birds as a list: what was seen of each and by whom, apart from what its relatives suggest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, select
from sqlalchemy.orm import Session

from service.answers.assessments import assess_birds
from service.flock.assessment import Item, proposed
from service.flock.candidates import Candidate
from service.records.tables import (
    AnswerRow,
    BirdRow,
    DecisionRow,
    HatchRow,
    PenBirdRow,
    PhotoRow,
    PileRow,
    SightingRow,
)

ORDERS = ("recorded", "band", "hatched", "risk")
LEAVING = "layer or pet home"
UNDECIDED, NOT_NOTED = "none", "none"


@dataclass(frozen=True)
class Wanted:
    """Which birds are wanted, and in which order; empty is any."""

    band: str = ""
    """A part of the band."""
    hatch: int | None = None
    pen: int | None = None
    pile: str = ""
    decision: str = ""
    """A choice, or `none` for those that aren't decided on."""
    crest: str = ""
    """yes, no, or `none` for those where it isn't noted."""
    unread: bool = False
    """Those whose comb nobody has seen."""
    conflicts: bool = False
    due: date | None = None
    """Those to be looked at again by this day."""
    order: str = ORDERS[0]


@dataclass(frozen=True)
class Line:
    """A bird of the list."""

    band: str
    sex: str
    hatched: date | None
    hatch: str
    crest: bool | None
    photos: int
    item: Item | None
    listed: tuple[str, str]
    """The comb on the list and who saw it; empty if there is none."""
    candidate: Candidate | None
    decision: DecisionRow | None

    @property
    def seen(self) -> bool:
        """Whether anybody, or the reader, has seen its comb."""
        return bool(self.item or self.listed[0])

    @property
    def likely(self) -> tuple[str, float]:
        """The comb that all records together make likeliest, and its chance."""
        if self.candidate is None:
            return "", 0.0
        return proposed(tuple(self.candidate.combs.values()))

    @property
    def genotype(self) -> tuple[str, float]:
        """The likeliest genotype and its chance."""
        if self.candidate is None:
            return "", 0.0
        return max(self.candidate.genotypes.items(), key=lambda pair: pair[1])


def newest_decision() -> Select[Any]:
    """Return the keys of the newest decision of each bird."""
    return select(func.max(DecisionRow.id)).group_by(DecisionRow.bird_id)


def noted_now(what: str) -> Any:
    """Return the crest or beard as last noted: by a sighting, else on the list."""
    column = getattr(SightingRow, what)
    sighting = (
        select(column)
        .where(SightingRow.bird_id == BirdRow.id, column.is_not(None))
        .order_by(SightingRow.id.desc())
        .limit(1)
        .correlate(BirdRow)
        .scalar_subquery()
    )
    return func.coalesce(sighting, getattr(BirdRow, what))


def unseen() -> ColumnElement[bool]:
    """Which birds have neither a photo nor a comb on the list."""
    return and_(BirdRow.comb == "", BirdRow.id.not_in(photographed()))


def photographed() -> Select[Any]:
    """Return the keys of birds with a photo."""
    return select(PhotoRow.bird_id).where(PhotoRow.bird_id.is_not(None))


def conditions(wanted: Wanted) -> list[ColumnElement[bool]]:
    """Return what the birds wanted have in common."""
    found: list[ColumnElement[bool]] = []
    if wanted.band.strip():
        found.append(BirdRow.band.contains(wanted.band.strip(), autoescape=True))
    if wanted.hatch is not None:
        found.append(BirdRow.hatch_id == wanted.hatch)
    if wanted.pen is not None:
        stays = select(PenBirdRow.bird_id).where(
            PenBirdRow.pen_id == wanted.pen, PenBirdRow.until.is_(None)
        )
        found.append(BirdRow.id.in_(stays))
    if wanted.pile:
        lie = select(PhotoRow.bird_id).join(PileRow, PileRow.photo_id == PhotoRow.id)
        found.append(BirdRow.id.in_(lie.where(PileRow.pile == wanted.pile)))
    if wanted.decision == UNDECIDED:
        found.append(BirdRow.id.not_in(select(DecisionRow.bird_id)))
    elif wanted.decision:
        newest = select(DecisionRow.bird_id).where(DecisionRow.id.in_(newest_decision()))
        found.append(BirdRow.id.in_(newest.where(DecisionRow.choice == wanted.decision)))
    if wanted.crest == NOT_NOTED:
        found.append(noted_now("crest").is_(None))
    elif wanted.crest:
        found.append(noted_now("crest").is_(wanted.crest == "yes"))
    if wanted.unread:
        found.append(unseen())
    if wanted.conflicts:
        conflict = select(AnswerRow.bird_id).where(AnswerRow.in_conflict)
        found.append(BirdRow.id.in_(conflict))
    if wanted.due is not None:
        found.append(BirdRow.id.in_(due_birds(wanted.due)))
    return found


def due_birds(on: date) -> Select[Any]:
    """Return the keys of birds whose newest decision is to look again by a day."""
    return select(DecisionRow.bird_id).where(
        DecisionRow.id.in_(newest_decision()),
        DecisionRow.recheck.is_not(None),
        DecisionRow.recheck <= on,
    )


def ordered(query: Select[Any], order: str) -> Select[Any]:
    """Return a query over birds in an order, that of the records for any other word."""
    if order == "band":  # numbers of more digits come later
        return query.order_by(func.length(BirdRow.band), BirdRow.band)
    if order == "hatched":
        return query.order_by(BirdRow.hatched.is_(None), BirdRow.hatched.desc(), BirdRow.id)
    if order == "risk":
        worst = (
            select(PhotoRow.bird_id, func.max(PileRow.risk).label("risk"))
            .join(PileRow, PileRow.photo_id == PhotoRow.id)
            .group_by(PhotoRow.bird_id)
            .subquery()
        )
        query = query.outerjoin(worst, worst.c.bird_id == BirdRow.id)
        return query.order_by(func.coalesce(worst.c.risk, -1.0).desc(), BirdRow.id)
    return query.order_by(BirdRow.id)


def count_birds(session: Session, wanted: Wanted) -> int:
    """Return how many birds are wanted."""
    query = select(func.count()).select_from(BirdRow).where(*conditions(wanted))
    return session.scalar(query) or 0


def bands_wanted(session: Session, wanted: Wanted) -> list[str]:
    """Return the bands of all birds wanted, in order."""
    query = select(BirdRow.band).where(*conditions(wanted))
    return list(session.scalars(ordered(query, wanted.order)))


def lines(session: Session, wanted: Wanted, most: int, start: int = 0) -> list[Line]:
    """Return the birds wanted, some at a time, with all that a list says of them."""
    query = select(BirdRow, noted_now("crest")).where(*conditions(wanted))
    found = session.execute(ordered(query, wanted.order).offset(start).limit(most)).all()
    return lines_of(session, [row for row, _ in found], {row.id: c for row, c in found})


def lines_of(session: Session, rows: Sequence[BirdRow], crests: dict[int, Any]) -> list[Line]:
    """Return some birds as lines of the list."""
    ids, bands = [row.id for row in rows], [row.band for row in rows]
    answers = {
        a.bird_id: a for a in session.scalars(select(AnswerRow).where(AnswerRow.bird_id.in_(ids)))
    }
    decisions = select(DecisionRow).where(
        DecisionRow.bird_id.in_(ids), DecisionRow.id.in_(newest_decision())
    )
    newest = {d.bird_id: d for d in session.scalars(decisions)}
    hatches = dict(
        session.execute(
            select(HatchRow.id, HatchRow.name).where(HatchRow.id.in_([r.hatch_id for r in rows]))
        ).all()
    )
    counted = select(PhotoRow.bird_id, func.count()).where(PhotoRow.bird_id.in_(ids))
    photos = dict(session.execute(counted.group_by(PhotoRow.bird_id)).all())
    items = assess_birds(session, bands)
    return [
        Line(
            row.band,
            row.sex,
            row.hatched,
            hatches.get(row.hatch_id or 0, ""),
            None if crests.get(row.id) is None else bool(crests[row.id]),
            photos.get(row.id, 0),
            items.get(row.band),
            (row.comb, row.comb_by),
            Candidate.from_data(answers[row.id].content) if row.id in answers else None,
            newest.get(row.id),
        )
        for row in rows
    ]


def leaving(session: Session) -> tuple[str, ...]:
    """Return the bands of birds that were decided to leave the breeding pen."""
    query = (
        select(BirdRow.band)
        .join(DecisionRow, DecisionRow.bird_id == BirdRow.id)
        .where(DecisionRow.id.in_(newest_decision()), DecisionRow.choice == LEAVING)
    )
    return tuple(session.scalars(query))


def first_bands(session: Session, most: int) -> list[str]:
    """Return the bands of the oldest records, for a field to suggest."""
    return list(session.scalars(select(BirdRow.band).order_by(BirdRow.id).limit(most)))


def named_hatches(session: Session) -> list[tuple[int, str]]:
    """Return the keys and names of all hatches, the newest first."""
    query = select(HatchRow.id, HatchRow.name).order_by(HatchRow.id.desc())
    return [(key, name) for key, name in session.execute(query)]


def unread_count(session: Session) -> int:
    """Return how many birds nobody has seen."""
    query = select(func.count()).select_from(BirdRow).where(unseen())
    return session.scalar(query) or 0


def with_due_day(session: Session, on: date) -> list[tuple[str, date, str]]:
    """Return the birds to look at again by a day: band, the day, why; the longest due first."""
    query = (
        select(BirdRow.band, DecisionRow.recheck, DecisionRow.reason)
        .join(DecisionRow, DecisionRow.bird_id == BirdRow.id)
        .where(DecisionRow.id.in_(newest_decision()))
        .where(DecisionRow.recheck.is_not(None), DecisionRow.recheck <= on)
        .order_by(DecisionRow.recheck, BirdRow.id)
    )
    return [(band, day, reason) for band, day, reason in session.execute(query) if day]
