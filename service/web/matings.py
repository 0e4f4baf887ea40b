"""Matings: what a cross gives, what a test mating tells, ways over generations."""

from __future__ import annotations

from collections import Counter
from functools import lru_cache
from typing import Annotated

import numpy as np
from fastapi import APIRouter, BackgroundTasks, Form, Query, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from genetics.combs import CLASSES
from genetics.cross import cross
from genetics.errors import GeneticsError
from genetics.evidence import SAID
from genetics.planning import usual_rates
from genetics.punnett import grid, working
from genetics.rates import Rates
from genetics.strategies import Outlook, cheapest, hatched_already, simulate, table
from genetics.testmating import (
    TestMatingError,
    chick_by_chick,
    plan,
    question,
    seen_given_pair,
)
from service.actions.flock import count_chicks, sire_and_dam
from service.answers.refresh import answer
from service.errors import Refusal, UsageMistake
from service.flock.crosses import fraction
from service.flock.matings import Subject, mating_test, subject_of_genotype
from service.flock.next_steps import chances_of
from service.records.entries import check_pair
from service.records.tables import BirdRow, CountRow, MatingRow
from service.views.at_hand import birds_at_hand
from service.web.charts import certainty_curve, fan
from service.web.pages import Records, desk_of, gone_to, page, quote_path
from service.wording.sentences import say

router = APIRouter(prefix="/matings")
RUNS, MOST_EGGS = 400, 1000
KEPT, SINGLE = 12, "r+/r+ p+/p+"


def subject_named(records: Session, text: str) -> Subject:
    """Return a bird by its band, or by a genotype as written. Raises GenotypeError."""
    known = answer(records, text.strip())
    if known is not None:
        return Subject(text.strip(), chances_of(known), known.caution)
    return subject_of_genotype(text.strip())


def likeliest(records: Session, text: str) -> str:
    """Return a genotype as written, or a kept bird's likeliest one."""
    known = answer(records, text.strip())
    if known is None:
        return text.strip()
    return max(known.genotypes, key=known.genotypes.__getitem__)


@router.get("")
def explore(
    request: Request, records: Records, sire: str = "R/r+ P/p+", dam: str = "r+/r+ p+/p+"
) -> HTMLResponse:
    """Return a cross with its grid, its working and its chicks.

    Bands stand for likeliest genotypes.
    """
    first, second = likeliest(records, sire), likeliest(records, dam)
    try:
        result = cross(first, second)
        made = {"result": result, "grid": grid(first, second), "working": working(first, second)}
        problem = ""
    except GeneticsError as error:
        made, problem = {}, say(error)
    return page(
        request,
        "cross.html",
        status=422 if problem else 200,
        sire=sire,
        dam=dam,
        taken=(first, second),
        problem=problem,
        fraction=fraction,
        **made,
    )


@router.get("/test")
def trial(
    request: Request,
    records: Records,
    bird: str = "R/? P/?",
    mate: str = "r+/r+ p+/p+",
    asked: str = "R",
    certainty: float = 0.95,
    scored: Annotated[list[str] | None, Query()] = None,
) -> HTMLResponse:
    """Return a test mating: chicks, eggs, the curve of certainty, where it stands as they hatch."""
    chicks = [c for c in scored or [] if c in SAID]
    answered, curve, steps, problem = None, None, [], ""
    pair = [find_known(records, text) for text in (bird, mate)]
    try:
        if pair[0] and pair[1]:
            check_pair(pair[0], pair[1])
        subject, partner = subject_named(records, bird), subject_named(records, mate)
        answered = mating_test(subject, partner, asked, certainty, usual_rates(), chicks)
        curve = certainty_curve(
            silent_course(subject, partner, asked, answered["chicks"]), certainty
        )
        steps = answered["chick_by_chick"]
    except (GeneticsError, Refusal) as error:
        problem = say(error)
    return page(
        request,
        "test.html",
        status=422 if problem else 200,
        bird=bird,
        mate=mate,
        asked=asked,
        certainty=certainty,
        scored=chicks,
        test=answered,
        curve=curve,
        steps=steps,
        problem=problem,
        banded=bool(pair[0] and pair[1]),
        kept=kept_tests(records),
        kept_here=kept_with(records, pair[0], pair[1]) if pair[0] and pair[1] else {},
        rates=usual_rates(),
    )


def find_known(records: Session, text: str) -> BirdRow | None:
    """Return a bird by its band; None for a genotype."""
    return records.scalar(select(BirdRow).where(BirdRow.band == text.strip()))


def kept_with(records: Session, one: BirdRow, other: BirdRow) -> dict[str, int]:
    """Return the chicks that are kept of two birds, by comb."""
    pair = (one.id, other.id)
    query = (
        select(CountRow.comb, func.sum(CountRow.chicks))
        .join(MatingRow)
        .where(MatingRow.sire_id.in_(pair), MatingRow.dam_id.in_(pair))
        .group_by(CountRow.comb)
    )
    return {comb: int(number) for comb, number in records.execute(query)}


def kept_tests(records: Session) -> list[tuple[str, str, int]]:
    """Return the newest test matings on record: the bird, its single-combed mate, chicks so far."""
    query = (
        select(MatingRow.sire_id, MatingRow.dam_id, func.sum(CountRow.chicks))
        .join(CountRow)
        .where(MatingRow.purpose == "test")
        .group_by(MatingRow.sire_id, MatingRow.dam_id)
        .order_by(func.max(MatingRow.id).desc())
        .limit(KEPT)
    )
    found = []
    for sire, dam, chicks in records.execute(query):
        pair = [records.get(BirdRow, number) for number in (sire, dam)]
        bands = [row.band for row in pair if row]
        # Who is tested stands first: the one that isn't single-combed.
        bands.sort(key=lambda band: likeliest(records, band) == SINGLE)
        found.append((bands[0], bands[-1], int(chicks)))
    return found


def silent_course(bird: Subject, mate: Subject, asked: str, chicks: int) -> list[float]:
    """Chance that the bird hides the recessive after 0, 1, 2 ... chicks that don't tell.

    Chicks that don't tell show the comb that a chick of the bird hoped for is likeliest to show.
    """
    masks = question(asked)
    hoped = bird.chances * masks.pure
    shows = np.einsum("s,m,smc->c", hoped, mate.chances, seen_given_pair())
    comb = CLASSES[int(shows.argmax())]
    word = "single" if comb == "crest_folded_single" else comb
    before = plan(bird.chances, mate.chances, asked, 0.95, usual_rates()).carrier_before
    course = chick_by_chick(bird.chances, mate.chances, asked, [word] * chicks)
    return [before, *(step.carrier for step in course)]


@router.post("/test")
def score(
    request: Request,
    later: BackgroundTasks,
    bird: Annotated[str, Form(max_length=80)],
    mate: Annotated[str, Form(max_length=80)],
    scored: Annotated[list[str] | None, Form()] = None,
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Keep the scored chicks of two kept birds: they count for both from then on."""
    if not scored:
        raise UsageMistake("no_chick_scored")
    desk = desk_of(request, later, by)
    sire, dam = sire_and_dam(desk, bird, mate)
    act = count_chicks(desk, sire, dam, Counter(scored), "test", desk.on)
    return gone_to(request, f"/birds/{quote_path(bird)}", act.name, by)


@lru_cache(maxsize=64)
def simulate_all(
    eggs: int, rates: Rates, at_hand: frozenset[str] = frozenset()
) -> tuple[Outlook, ...]:
    """All ways, simulated; the same numbers give the same answer."""
    return tuple(
        simulate(name, eggs, rates, RUNS, np.random.default_rng(0), at_hand)
        for name in table()["strategies"]
    )


@router.get("/ways")
def ways(
    request: Request,
    records: Records,
    eggs: int = 40,
    begin: str = "",
    fertile: float | None = None,
    hatching: float | None = None,
    rearing: float | None = None,
) -> HTMLResponse:
    """Ways over several generations to a proven true-breeding pair, with fan charts."""
    found: tuple[Outlook, ...] = ()
    birds = birds_at_hand(records)
    at_hand = frozenset(birds) if begin == "birds" else frozenset[str]()
    given = (fertile, hatching, rearing)
    usual = usual_rates()
    rates = Rates(*(u if g is None else g for g, u in zip(given, usual, strict=True)))
    problem = ""
    try:
        if eggs > MOST_EGGS:
            raise TestMatingError("too_many_eggs", eggs=eggs, most=MOST_EGGS)
        found = simulate_all(eggs, rates, at_hand)
    except GeneticsError as error:
        problem = say(error)
    seasons = max((o.seasons[2] for o in found if o.proven), default=6)
    seasons = min(int(seasons) + 1, len(found[0].course)) if found else 6
    most = max((o.course[seasons - 1].eggs[4] for o in found), default=1.0)
    return page(
        request,
        "ways.html",
        status=422 if problem else 200,
        ways=[(o, fan(o, most, seasons)) for o in found],
        best=cheapest(list(found)),
        eggs=eggs,
        rates=rates,
        runs=RUNS,
        problem=problem,
        seasons=seasons,
        begin=begin,
        birds=birds,
        ready={o.name: hatched_already(o.name, at_hand) for o in found},
    )
