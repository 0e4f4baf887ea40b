"""A bird's family for the page: parents and theirs, chicks by the other parent."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.flock.flock_csv import OR
from service.records.birds import PenParents
from service.records.tables import AnswerRow, BirdRow

GENERATIONS = 2  # of ancestors
MOST_CHICKS = 60


@dataclass(frozen=True)
class Relative:
    """A bird of a pedigree with its likeliest genotypes; `maybe` if it is one of several."""

    band: str
    comb: str = ""
    genotypes: tuple[tuple[str, float], ...] = ()
    """The likeliest, until nine tenths are told of."""
    maybe: bool = False
    sires: tuple[Relative, ...] = ()
    dams: tuple[Relative, ...] = ()


@dataclass(frozen=True)
class Brood:
    """Chicks with one other parent."""

    mate: str
    chicks: tuple[Relative, ...] = field(default=())


@dataclass(frozen=True)
class Family:
    """A bird with its ancestors, and its chicks."""

    bird: Relative
    broods: tuple[Brood, ...]
    left_out: int
    """Chicks beyond those listed."""


def family_of(session: Session, row: BirdRow) -> Family:
    """Return the family of a kept bird."""
    pens = PenParents(session)
    generations: list[dict[str, tuple[list[str], list[str]]]] = []
    now = {row.band: parents_of(row, pens)}
    for _ in range(GENERATIONS):
        generations.append(now)
        bands = {b for pair in now.values() for some in pair for b in some}
        rows = session.scalars(select(BirdRow).where(BirdRow.band.in_(sorted(bands)))).all()
        now = {r.band: parents_of(r, pens) for r in rows}
    pairs = {band: pair for generation in generations for band, pair in generation.items()}
    chicks, total = chicks_of(session, row.band)
    known = likeliest(session, {row.band, *pairs, *now, *(c.band for c in chicks)})

    def relative(band: str, depth: int, maybe: bool) -> Relative:
        comb, likely = known.get(band, ("", ()))
        sires, dams = pairs.get(band, ([], [])) if depth < GENERATIONS else ([], [])
        return Relative(
            band,
            comb,
            likely,
            maybe,
            tuple(relative(b, depth + 1, len(sires) > 1) for b in sires),
            tuple(relative(b, depth + 1, len(dams) > 1) for b in dams),
        )

    broods: dict[str, list[Relative]] = {}
    for chick in chicks:
        mate = chick.dam if row.band in chick.sire.split(OR) else chick.sire
        sure = row.band in (chick.sire, chick.dam)
        broods.setdefault(mate, []).append(relative(chick.band, GENERATIONS, not sure))
    return Family(
        relative(row.band, 0, False),
        tuple(Brood(mate, tuple(some)) for mate, some in broods.items()),
        max(0, total - len(chicks)),
    )


def parents_of(row: BirdRow, pens: PenParents) -> tuple[list[str], list[str]]:
    """Bands of possible sires and dams, those on record before those of the hatch's pen."""
    sires = row.sire.split(OR) if row.sire else []
    dams = row.dam.split(OR) if row.dam else []
    if row.hatch_id is not None and not (sires and dams):
        lived = pens.of(row)
        sires, dams = sires or lived[0], dams or lived[1]
    return sires, dams


def chicks_of(session: Session, band: str) -> tuple[list[BirdRow], int]:
    """Banded chicks that have a bird for a parent on record, the newest first; how many in all."""
    rows = session.scalars(
        select(BirdRow)
        .where(
            or_(
                BirdRow.sire.contains(band, autoescape=True),
                BirdRow.dam.contains(band, autoescape=True),
            )
        )
        .order_by(BirdRow.id.desc())
    ).all()
    # '12' is within '112' as well.
    mine = [r for r in rows if band in r.sire.split(OR) or band in r.dam.split(OR)]
    return mine[:MOST_CHICKS], len(mine)


def likeliest(
    session: Session, bands: Iterable[str]
) -> dict[str, tuple[str, tuple[tuple[str, float], ...]]]:
    """Likeliest comb and genotypes by band."""
    found = {}
    rows = session.execute(
        select(BirdRow.band, AnswerRow.content)
        .join(AnswerRow)
        .where(BirdRow.band.in_(sorted(bands)))
    )
    for band, content in rows:
        ranked = sorted(content["genotypes"].items(), key=lambda pair: -pair[1])
        likely: list[tuple[str, float]] = []
        sum_so_far = 0.0
        for name, chance in ranked:
            if sum_so_far >= 0.9 or len(likely) == 3:
                break
            likely.append((name, chance))
            sum_so_far += chance
        comb = max(content["combs"], key=content["combs"].__getitem__)
        found[band] = (comb, tuple(likely))
    return found
