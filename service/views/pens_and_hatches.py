"""What a pen's eggs will give, and what hatches have shown against what was to be expected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from genetics.combs import CLASSES, Array, penetrance
from genetics.cross import transmission
from genetics.genotype import NAMES, index_of
from service.flock.flock_csv import OR
from service.records.birds import PenParents
from service.records.database import lots
from service.records.tables import AnswerRow, BirdRow, HatchRow, PenBirdRow, PenRow

SINGLE = index_of("r+/r+ p+/p+")
LIKELY = 0.05  # a genotype less likely than this isn't counted into the worst case


@dataclass(frozen=True)
class Pen:
    """A pen's birds and the share of single-combed chicks that its eggs will give."""

    id: int
    name: str
    cocks: tuple[str, ...]
    hens: tuple[str, ...]
    single: float | None
    """Expected share; None without a cock and a hen."""
    most: float
    """The share if the birds are the worst that they may well be."""


@dataclass(frozen=True)
class Hatch:
    """A hatch's chicks by comb: seen, and expected from the parents."""

    id: int
    name: str
    hatched: date | None
    pen: str
    eggs: int | None
    chicks: int | None
    banded: int
    seen: tuple[float, ...]
    """By comb (6,): the chicks' own likeliest combs."""
    expected: tuple[float, ...]
    """By comb (6,): from the parents' candidates, for the chicks whose parents are known."""


def genotypes(session: Session, bands: Iterable[str]) -> dict[str, Array]:
    """Probabilities (9,) of birds as last worked out, by band."""
    found = {}
    for some in lots(sorted(set(bands))):
        rows = session.execute(
            select(BirdRow.band, AnswerRow.content["genotypes"])
            .join(AnswerRow)
            .where(BirdRow.band.in_(some))
        )
        for band, chances in rows:
            found[band] = np.array([chances[name] for name in NAMES])
    return found


def pens(session: Session) -> list[Pen]:
    """All pens with the birds that live there now."""
    stays = session.scalars(
        select(PenBirdRow)
        .where(PenBirdRow.until.is_(None))
        .order_by(PenBirdRow.id)
        .options(selectinload(PenBirdRow.bird))
    ).all()
    chances = genotypes(session, (stay.bird.band for stay in stays))
    found = []
    for row in session.scalars(select(PenRow).order_by(PenRow.name)):
        here = [stay.bird for stay in stays if stay.pen_id == row.id]
        cocks = tuple(dict.fromkeys(b.band for b in here if b.sex == "cock"))
        hens = tuple(dict.fromkeys(b.band for b in here if b.sex == "hen"))
        found.append(Pen(row.id, row.name, cocks, hens, *single_share(cocks, hens, chances)))
    return found


def single_share(
    cocks: Sequence[str], hens: Sequence[str], chances: Mapping[str, Array]
) -> tuple[float | None, float]:
    """Share of single-combed chicks, every hen laying alike, and the most it may well be."""
    pairs = [(chances[c], chances[h]) for c in cocks for h in hens if c in chances and h in chances]
    if not pairs:
        return None, 0.0
    law = transmission()[:, :, SINGLE]
    mean = float(np.mean([s @ law @ d for s, d in pairs]))
    most = float(np.mean([law[np.ix_(s >= LIKELY, d >= LIKELY)].max() for s, d in pairs]))
    return mean, max(most, mean)


def hatches(session: Session, most: int = 20, start: int = 0) -> list[Hatch]:
    """Return the newest hatches with their chicks by comb."""
    rows = session.scalars(
        select(HatchRow).order_by(HatchRow.id.desc()).offset(start).limit(most)
    ).all()
    parents = PenParents(session)
    return [hatch_summary(session, row, parents) for row in rows]


def hatch_summary(session: Session, row: HatchRow, parents: PenParents | None = None) -> Hatch:
    """One hatch with its chicks by comb."""
    lived = parents or PenParents(session)
    chicks = session.scalars(
        select(BirdRow).where(BirdRow.hatch_id == row.id).order_by(BirdRow.id)
    ).all()
    possible = {}
    for chick in chicks:
        sires, dams = lived.of(chick)
        possible[chick.band] = (
            chick.sire.split(OR) if chick.sire else sires,
            chick.dam.split(OR) if chick.dam else dams,
        )
    known = {b for pair in possible.values() for some in pair for b in some}
    pen = session.get(PenRow, row.pen_id) if row.pen_id else None
    return Hatch(
        row.id,
        row.name,
        row.hatched,
        pen.name if pen else "",
        row.eggs,
        row.chicks,
        len(chicks),
        tuple(combs_of(session, [c.band for c in chicks]).tolist()),
        tuple(expected_combs(possible.values(), genotypes(session, known)).tolist()),
    )


def combs_of(session: Session, bands: Sequence[str]) -> Array:
    """How many birds show each comb (6,), each bird spread over what it may show."""
    total = np.zeros(len(CLASSES))
    for some in lots(bands):
        query = select(AnswerRow.content["combs"]).join(BirdRow).where(BirdRow.band.in_(some))
        for chances in session.scalars(query):
            total += [chances[comb] for comb in CLASSES]
    return total


def expected_combs(
    possible: Iterable[tuple[list[str], list[str]]], chances: Mapping[str, Array]
) -> Array:
    """Chicks by comb (6,) that parents' candidates let expect, possible parents alike."""
    shown = penetrance(False)
    made: dict[tuple[str, ...], Array] = {}
    total = np.zeros(len(CLASSES))
    for sires, dams in possible:
        here = [[chances[b] for b in some if b in chances] for some in (sires, dams)]
        if not here[0] or not here[1]:
            continue
        key = (*sires, "x", *dams)
        if key not in made:
            sire, dam = np.mean(here[0], 0), np.mean(here[1], 0)
            made[key] = np.einsum("s,d,sdc->c", sire, dam, transmission()) @ shown
        total += made[key]
    return total
