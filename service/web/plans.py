"""Next year's matings: ranked for a goal, chosen, kept as pens, printed."""

from __future__ import annotations

import json
from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, Form, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import select

from genetics.errors import GeneticsError
from genetics.planning import GOALS, PlanRequest, usual_rates
from service import clock
from service.actions.birds import make_pens
from service.answers.whole_flock import known_flock
from service.documents.buyer_pdf import buyer_sheet
from service.documents.labels_pdf import band_sheet, pen_sheets
from service.errors import ServiceError, UsageMistake
from service.flock.matings import mating_plan, pen_plan
from service.records.tables import BirdRow
from service.views.bird_list import leaving
from service.views.buyer import for_buyer
from service.web.pages import Records, day_in, desk_of, gone_to, page
from service.wording.sentences import from_data, say

router = APIRouter()
SHOWN, MOST_HENS, MOST_KEEPERS = 25, 12, 1000
PDF = "application/pdf"


def in_words(row: dict[str, Any]) -> dict[str, Any]:
    """Return a planned pair or pen as the page shows it."""
    dams = row.get("dams") or [row["dam"]]
    cautions = [say(from_data(code)) for code in row["caution_codes"]]
    return row | {
        "hens": dams,
        "cautions": cautions,
        "chosen": json.dumps([row["sire"], *dams]),
    }


@router.get("/matings/plan")
def show_plan(
    request: Request,
    records: Records,
    goal: str = GOALS[0],
    keepers: int = 4,
    certainty: float = 0.9,
    pen: int = 0,
) -> HTMLResponse:
    """Return matings of the birds at hand, the best for a goal first."""
    rows: list[dict[str, Any]] = []
    problem, approximate = "", ""
    gone = leaving(records)
    try:
        if not 0 <= pen <= MOST_HENS or not 1 <= keepers <= MOST_KEEPERS:
            raise UsageMistake("form_field", field="keepers")
        wanted = PlanRequest(goal.strip(), keepers, certainty, usual_rates())
        known = known_flock(records, gone)
        found = pen_plan(known, pen, wanted, SHOWN) if pen else mating_plan(known, wanted, SHOWN)
        rows = [in_words(row) for row in found]
        approximate = rows[0]["approximate"] if rows else ""
    except (GeneticsError, ServiceError) as error:
        problem = say(error)
    return page(
        request,
        "plan.html",
        status=422 if problem else 200,
        rows=rows,
        goal=goal,
        goals=GOALS,
        keepers=keepers,
        certainty=certainty,
        pen=pen,
        most_hens=MOST_HENS,
        problem=problem,
        approximate=approximate,
        gone=gone,
        rates=usual_rates(),
        on=clock.today(),
    )


@router.post("/matings/plan")
def keep_plan(
    request: Request,
    later: BackgroundTasks,
    chosen: Annotated[list[str] | None, Form()] = None,
    name: Annotated[str, Form(max_length=60)] = "",
    on: Annotated[str, Form()] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Make a pen of each chosen mating; its hatches are expected against its birds then."""
    try:
        wanted = [[str(band) for band in json.loads(one)] for one in chosen or []]
    except (ValueError, TypeError):
        raise UsageMistake("form_field", field="chosen") from None
    act = make_pens(desk_of(request, later, by), name, wanted, day_in(on, "on"))
    return gone_to(request, "/flock", act.name, by)


@router.get("/flock/pens.pdf")
def print_pens(records: Records) -> Response:
    """Send a sheet for each pen, with QR codes."""
    return Response(pen_sheets(records), media_type=PDF)


@router.get("/flock/labels.pdf")
def print_labels(records: Records, hatch: int | None = None) -> Response:
    """Send leg-band labels with QR codes, of a hatch or of all birds."""
    bands = None
    if hatch is not None:
        bands = list(records.scalars(select(BirdRow.band).where(BirdRow.hatch_id == hatch)))
    return Response(band_sheet(records, bands), media_type=PDF)


@router.get("/flock/pens/{number}/buyer.pdf")
def print_for_buyer(records: Records, number: int) -> Response:
    """Send what a buyer of a pen's eggs or chicks is to know."""
    return Response(buyer_sheet(for_buyer(records, number, clock.today())), media_type=PDF)
