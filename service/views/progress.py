"""How far the flock has come: its candidates at a glance, and the road to true-breeding by year."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from genetics.genotype import DOSES, NAMES, index_of
from service.records.tables import AnswerRow, BirdRow, HatchRow

PURE, SINGLE = index_of("R/R P/P"), index_of("r+/r+ p+/p+")


@dataclass(frozen=True)
class Small:
    """A bird's nine genotypes, for a small table of its own."""

    band: str
    sex: str
    chances: tuple[float, ...]
    """In the order of NAMES: R down, P across."""
    in_conflict: bool


@dataclass(frozen=True)
class Year:
    """The birds that hatched in one year."""

    year: int
    birds: int
    true_breeding: float
    """Mean chance of R/R P/P."""
    single: float
    """Mean chance of r+/r+ p+/p+."""
    rose: float
    """Share of R among the alleles at its locus."""
    pea: float
    """Share of P among the alleles at its locus."""


def of_hatch(query: Any, hatch: int | None) -> Any:
    """Return a query over birds for one hatch only, or all."""
    return query if hatch is None else query.where(BirdRow.hatch_id == hatch)


def small_multiples(
    session: Session, hatch: int | None, most: int, start: int = 0
) -> tuple[list[Small], int]:
    """Return some birds with their candidates, and how many there are in all."""
    query = of_hatch(select(BirdRow, AnswerRow).join(AnswerRow), hatch).order_by(BirdRow.id)
    found = [
        Small(
            bird.band,
            bird.sex,
            tuple(answer.content["genotypes"][name] for name in NAMES),
            answer.in_conflict,
        )
        for bird, answer in session.execute(query.offset(start).limit(most))
    ]
    counted = of_hatch(select(func.count()).select_from(BirdRow).join(AnswerRow), hatch)
    return found, session.scalar(counted) or 0


def by_year(session: Session) -> list[Year]:
    """Return the years in which birds on record hatched, with what those carry."""
    query = (
        select(BirdRow.hatched, HatchRow.hatched, AnswerRow.content["genotypes"])
        .join(AnswerRow)
        .outerjoin(HatchRow, HatchRow.id == BirdRow.hatch_id)
    )
    years: dict[int, list[list[float]]] = {}
    for own, common, chances in session.execute(query):
        day = own or common
        if day is not None:
            years.setdefault(day.year, []).append([chances[name] for name in NAMES])
    return [year_of(year, rows) for year, rows in sorted(years.items())]


def year_of(year: int, rows: Iterable[list[float]]) -> Year:
    """Return one year from its birds' genotypes."""
    table = np.array(list(rows), float)
    mean, doses = table.mean(0), np.array(DOSES, float)
    return Year(
        year,
        len(table),
        float(mean[PURE]),
        float(mean[SINGLE]),
        float(mean @ doses[:, 0] / 2),
        float(mean @ doses[:, 1] / 2),
    )
