"""The second opinion as a page and as a sheet; the report of a hatch."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from service import clock
from service.documents.grow_out_pdf import batch_sheet
from service.documents.opinion_pdf import opinion_sheet
from service.errors import NotFound
from service.records.tables import HatchRow
from service.views.grow_out import as_calendar, as_csv, report
from service.views.second_opinion import CLOSING_LINES, Opinion, opinion
from service.web.birds import bird_row, known_of
from service.web.charts import weights
from service.web.pages import Records, page, reader_of, store_of

router = APIRouter()
KINDS = {
    "grow-out.pdf": "application/pdf",
    "grow-out.csv": "text/csv; charset=utf-8",
    "look-again.ics": "text/calendar; charset=utf-8",
}


def opinion_of(request: Request, records: Records, band: str, mate: str) -> Opinion:
    """Return the opinion on a bird. Raises NotFound for an unknown band."""
    known_of(request, records, bird_row(records, band))  # worked out now if it wasn't
    card = reader_of(request).card.document
    return opinion(records, band, card, clock.today(), mate.strip())


@router.get("/birds/{band:path}/opinion")
def show_opinion(request: Request, records: Records, band: str, mate: str = "") -> HTMLResponse:
    """Show the second opinion as a page."""
    told = opinion_of(request, records, band, mate)
    return page(
        request,
        "opinion.html",
        told=told,
        weights=weights(told.candidate),
        mate=mate.strip(),
        standing=CLOSING_LINES,
    )


@router.get("/birds/{band:path}/opinion.pdf")
def sheet(request: Request, records: Records, band: str, mate: str = "") -> Response:
    """Send the second opinion as a sheet (PDF)."""
    told = opinion_of(request, records, band, mate)
    return Response(opinion_sheet(told, store_of(request).photo), media_type="application/pdf")


@router.get("/flock/hatches/{number}/{name}")
def grow_out(request: Request, records: Records, number: int, name: str) -> Response:
    """Return the report of a hatch: grow-out.pdf, grow-out.csv, look-again.ics."""
    row = records.get(HatchRow, number)
    if row is None or name not in KINDS:
        raise NotFound("no_such_report")
    told = report(records, row.name, clock.today())
    if name == "grow-out.pdf":
        data = batch_sheet(told, store_of(request).photo)
    else:
        data = as_calendar(told) if name == "look-again.ics" else as_csv(told).encode()
    return Response(
        data,
        media_type=KINDS[name],
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )
