"""Requests: pens, hatches, matings."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import BackgroundTasks, Query
from fastapi import Request as Asked

from genetics.planning import usual_rates
from service.actions.flock import (
    count_chicks,
    move_into_pen,
    move_out_of_pen,
    note_hatch,
)
from service.flock.crosses import cross_answer
from service.flock.matings import mating_test
from service.shapes.genetics import Cross, MatingTest
from service.shapes.records import PensAndHatches
from service.views.pens_and_hatches import hatches, pens
from service.web.api.answers import done, part
from service.web.api.models import (
    Counted,
    Done,
    Hatch,
    Stay,
)
from service.web.matings import subject_named
from service.web.pages import Records, desk_of

router = part()


@router.post("/pens", tags=["flock"])
def live(request: Asked, later: BackgroundTasks, stay: Stay) -> Done:
    """Let birds move into a pen, or out of it."""
    desk = desk_of(request, later, stay.by)
    if stay.leave:
        return done(move_out_of_pen(desk, stay.name, stay.bands, stay.until))
    return done(move_into_pen(desk, stay.name, stay.bands, stay.since, stay.until))


@router.post("/hatches", tags=["flock"])
def hatched(request: Asked, later: BackgroundTasks, made: Hatch) -> Done:
    """Write down a hatch, made or added to."""
    desk = desk_of(request, later, made.by)
    return done(
        note_hatch(desk, made.name, made.pen, made.hatched, made.eggs, made.chicks, made.bands)
    )


@router.get("/flock", tags=["flock"], response_model=PensAndHatches)
def flock(records: Records) -> dict[str, Any]:
    """Pens with the share of single-combed chicks, and hatches against expectation."""
    return {
        "pens": [vars(pen) for pen in pens(records)],
        "hatches": [vars(hatch) for hatch in hatches(records)],
    }


@router.post("/matings", tags=["matings"])
def counted(request: Asked, later: BackgroundTasks, made: Counted) -> Done:
    """Write down chicks of a mating, counted by comb without bands."""
    desk = desk_of(request, later, made.by)
    return done(count_chicks(desk, made.sire, made.dam, made.chicks, made.purpose, made.started))


@router.get("/cross", tags=["matings"], response_model=Cross, response_model_exclude_unset=True)
def cross(sire: str, dam: str, grid: bool = False, working: bool = False) -> dict[str, Any]:
    """Return what a mating gives, as `combwright cross --json` prints it."""
    return cross_answer(sire, dam, grid, working)


@router.get(
    "/test-mating", tags=["matings"], response_model=MatingTest, response_model_exclude_unset=True
)
def trial(
    records: Records,
    bird: str,
    mate: str = "r+/r+ p+/p+",
    asked: Annotated[
        str, Query(description="R, P, or a genotype.", examples=["R", "P", "R/R P/P"])
    ] = "R",
    certainty: Annotated[float, Query(gt=0, lt=1)] = 0.95,
    scored: Annotated[tuple[str, ...], Query(description="Chicks so far, by comb word.")] = (),
) -> dict[str, Any]:
    """Chicks and eggs for a test mating, as `combwright test-mating --json` prints it."""
    subject, partner = subject_named(records, bird), subject_named(records, mate)
    return mating_test(subject, partner, asked, certainty, usual_rates(), list(scored))
