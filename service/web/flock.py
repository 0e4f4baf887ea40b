"""The flock: pens and what their eggs will give, hatches against expectation, conflicts."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, Form, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import func, select

from service.actions.flock import move_into_pen, move_out_of_pen, note_hatch
from service.errors import UsageMistake
from service.flock.candidates import Candidate
from service.records.tables import AnswerRow, BirdRow, HatchRow
from service.views.bird_list import named_hatches
from service.views.pens_and_hatches import hatches, pens
from service.views.progress import by_year, small_multiples
from service.web.charts import road
from service.web.pages import Records, day_in, desk_of, gone_to, number_in, page

router = APIRouter(prefix="/flock")
SHOWN = 20
HATCHES = 6
SMALLS = 120


@router.get("")
def show_flock(request: Request, records: Records, start: int = 0) -> HTMLResponse:
    """Pens, hatches (some at a time), conflicts."""
    conflicts = records.scalars(
        select(AnswerRow).where(AnswerRow.in_conflict).order_by(AnswerRow.bird_id).limit(SHOWN)
    )
    return page(
        request,
        "flock.html",
        pens=pens(records),
        hatches=hatches(records, HATCHES, max(0, start)),
        start=max(0, start),
        shown=HATCHES,
        hatch_count=records.scalar(select(func.count()).select_from(HatchRow)),
        conflicts=[Candidate.from_data(row.content) for row in conflicts],
        conflict_count=records.scalar(
            select(func.count()).select_from(AnswerRow).where(AnswerRow.in_conflict)
        ),
        birds=records.scalar(select(func.count()).select_from(BirdRow)),
    )


@router.get("/progress")
def show_progress(
    request: Request, records: Records, hatch: str = "", start: int = 0
) -> HTMLResponse:
    """Return the road to true-breeding by year, and all candidates as small tables."""
    number = number_in(hatch)
    first = max(0, start)
    birds, count = small_multiples(records, number, SMALLS, first)
    years = by_year(records)
    return page(
        request,
        "progress.html",
        years=years,
        chart=road(years),
        birds=birds,
        count=count,
        start=first,
        shown=SMALLS,
        hatch=number,
        hatches=named_hatches(records),
    )


def bands_in(text: str) -> list[str]:
    """Bands as people write them down: by commas, spaces or lines.

    >>> bands_in("12, 14 15")
    ['12', '14', '15']
    """
    return list(dict.fromkeys(text.replace(",", " ").replace(";", " ").split()))


@router.post("/pens")
def live(
    request: Request,
    later: BackgroundTasks,
    name: Annotated[str, Form(max_length=80)],
    bands: Annotated[str, Form(max_length=4000)],
    on: Annotated[str, Form()] = "",
    leave: Annotated[bool, Form()] = False,
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Birds move into a pen, or out of it."""
    desk, day = desk_of(request, later, by), day_in(on, "on")
    if leave:
        act = move_out_of_pen(desk, name, bands_in(bands), day)
    else:
        act = move_into_pen(desk, name, bands_in(bands), day)
    return gone_to(request, "/flock", act.name, by)


def number_of(text: str) -> int | None:
    """Return a count from a form; empty is none. Raises UsageMistake."""
    if not text.strip():
        return None
    if not text.strip().isdecimal():
        raise UsageMistake("not_whole", text=text)
    return int(text)


@router.post("/hatches")
def enter_hatch(
    request: Request,
    later: BackgroundTasks,
    name: Annotated[str, Form(max_length=80)],
    pen: Annotated[str, Form(max_length=80)] = "",
    on: Annotated[str, Form()] = "",
    eggs: Annotated[str, Form(max_length=8)] = "",
    chicks: Annotated[str, Form(max_length=8)] = "",
    bands: Annotated[str, Form(max_length=8000)] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Return a hatch, made or added to."""
    act = note_hatch(
        desk_of(request, later, by),
        name,
        pen.strip(),
        day_in(on, "on"),
        number_of(eggs),
        number_of(chicks),
        bands_in(bands),
    )
    return gone_to(request, "/flock", act.name, by)
