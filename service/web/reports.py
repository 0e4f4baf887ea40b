"""Reports that are made beside the pages: asked for, waited for, taken."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, Form, Request
from fastapi.responses import HTMLResponse, Response

from service.actions.reports import KEPT, MOST, SHEETS, ask_for, asked_for, finished
from service.errors import UsageMistake
from service.views.bird_list import named_hatches
from service.web.pages import Records, desk_of, gone_to, number_in, page
from service.wording.language import marked
from service.wording.sentences import from_data

router = APIRouter(prefix="/flock/reports")
TITLES = {
    "grow-out.pdf": marked("Grow-out of a hatch (PDF)"),
    "grow-out.csv": marked("Grow-out of a hatch (CSV)"),
    "look-again.ics": marked("Days to look again (calendar)"),
    "flock.csv": marked("Flock list with what was found (CSV)"),
    "flock.xlsx": marked("Flock list with what was found (xlsx)"),
    "flock.ods": marked("Flock list with what was found (ods)"),
    "pens.pdf": marked("Pen sheets (PDF)"),
    "labels.pdf": marked("Leg-band labels of all birds (PDF)"),
}


def as_file(name: str, data: bytes) -> Response:
    """Return a report as a file that a browser keeps under its name."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(data, media_type=SHEETS[name].media, headers=headers)


@router.get("")
def overview(request: Request, records: Records) -> HTMLResponse:
    """Return what can be asked for, and what was."""
    rows = [(row, from_data(row.trouble)) for row in asked_for(records)]
    return page(
        request,
        "reports.html",
        rows=rows,
        waiting=any(row.waits for row, _ in rows),
        titles=TITLES,
        of_flock=[name for name, sheet in SHEETS.items() if sheet.of_hatch is None],
        of_hatch=[name for name, sheet in SHEETS.items() if sheet.of_hatch is not None],
        hatches=named_hatches(records),
        most=MOST,
        days=KEPT.days,
    )


@router.post("")
def ask(
    request: Request,
    later: BackgroundTasks,
    name: Annotated[str, Form(max_length=24)],
    hatch: Annotated[str, Form(max_length=12)] = "",
) -> Response:
    """Ask for a report; it is made beside the pages."""
    number = number_in(hatch)
    if hatch and number is None:
        raise UsageMistake("form_field", field="hatch")
    ask_for(desk_of(request, later), name, number)
    return gone_to(request, "/flock/reports")


@router.get("/{number}/{name}")
def take(records: Records, number: int, name: str) -> Response:
    """Send a report that was made; its name in the address is what a browser calls the file."""
    row, content = finished(records, number)
    return as_file(row.name, content)
