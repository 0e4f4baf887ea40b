"""The list of birds: found, filtered, many decided on or moved at once."""

from __future__ import annotations

from datetime import date
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, BackgroundTasks, Form, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import select

from service import clock
from service.actions.birds import decide_many
from service.actions.flock import move_into_pen
from service.actions.reports import report_file
from service.errors import UsageMistake
from service.flock.assessment import PILE_ORDER
from service.records.entries import CHOICES
from service.records.tables import PenRow
from service.views.bird_list import ORDERS, Wanted, count_birds, lines, named_hatches
from service.web.pages import Records, day_in, desk_of, gone_to, number_in, page, store_of
from service.web.reports import as_file

router = APIRouter()
SHOWN = 60
FORMS = ("csv", "xlsx", "ods")


def wanted_of(request: Request) -> Wanted:
    """Return which birds a page's address asks for; words that it doesn't know ask for any."""
    asked = request.query_params

    def one_of(name: str, words: tuple[str, ...]) -> str:
        return asked.get(name, "") if asked.get(name, "") in words else ""

    due: date | None = clock.today() if asked.get("due") else None
    return Wanted(
        asked.get("band", "")[:80],
        number_in(asked.get("hatch", "")),
        number_in(asked.get("pen", "")),
        one_of("pile", PILE_ORDER),
        one_of("decision", (*CHOICES, "none")),
        one_of("crest", ("yes", "no", "none")),
        bool(asked.get("unread")),
        bool(asked.get("conflicts")),
        due,
        one_of("order", ORDERS) or ORDERS[0],
    )


@router.get("/birds")
def show_birds(request: Request, records: Records, start: int = 0) -> HTMLResponse:
    """Birds with what was seen of them and what that makes likely, some at a time."""
    wanted, first = wanted_of(request), max(0, start)
    kept = {k: v for k, v in request.query_params.items() if v and k not in ("start", "did")}
    return page(
        request,
        "birds.html",
        wanted=wanted,
        narrowed=bool(kept.keys() - {"order"}),
        lines=lines(records, wanted, SHOWN, first),
        count=count_birds(records, wanted),
        total=count_birds(records, Wanted()),
        start=first,
        shown=SHOWN,
        to=f"/birds?{urlencode(kept)}&",
        hatches=named_hatches(records),
        pens=records.execute(select(PenRow.id, PenRow.name).order_by(PenRow.name)).all(),
        choices=CHOICES,
        piles=PILE_ORDER,
        orders=ORDERS,
        on=clock.today(),
    )


@router.get("/birds.{form}")
def written_out(request: Request, records: Records, form: str) -> Response:
    """Send the flock as a sheet: as it could be brought in again, and what was found."""
    if form not in FORMS:
        raise UsageMistake("unknown_form", form=form, known=FORMS)
    name = f"flock.{form}"
    return as_file(name, report_file(store_of(request), records, name, None, clock.today()))


@router.post("/many-birds")
def many(
    request: Request,
    later: BackgroundTasks,
    band: Annotated[list[str] | None, Form()] = None,
    choice: Annotated[str, Form()] = "",
    reason: Annotated[str, Form(max_length=2000)] = "",
    recheck: Annotated[str, Form()] = "",
    pen: Annotated[str, Form(max_length=80)] = "",
    back: Annotated[str, Form(max_length=2000)] = "/birds",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Decide on the ticked birds alike, or move them into a pen."""
    desk, bands = desk_of(request, later, by), band or []
    if pen.strip() and bands:
        act = move_into_pen(desk, pen, bands, clock.today())
    else:
        act = decide_many(desk, bands, choice, reason, day_in(recheck, "recheck"))
    return gone_to(request, back, act.name, by)
