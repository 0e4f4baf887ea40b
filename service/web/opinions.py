"""The second opinion as a page and as a sheet; the report of a hatch."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from service import clock
from service.actions.reports import report_file
from service.documents.opinion_pdf import opinion_sheet
from service.views.second_opinion import CLOSING_LINES, Opinion, opinion
from service.web.birds import bird_row, known_of
from service.web.charts import weights
from service.web.pages import Records, page, reader_of, store_of
from service.web.reports import as_file

router = APIRouter()


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
    data = report_file(store_of(request), records, name, number, clock.today())
    return as_file(name, data)
