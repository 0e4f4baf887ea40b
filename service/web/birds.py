"""Birds: the flock list in and out of view, candidates of each bird."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, File, HTTPException, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import selectinload

from genetics.pedigree import PedigreeError
from service.exchange.flocklist import csv_text, table
from service.families import answer, answers, glance, refresh
from service.flock import FlockError, as_text, parse_flock
from service.judging import judged
from service.store.models import BirdRow, PhotoRow
from service.store.readings import model_reading, person_comb
from service.store.records import as_listed, kept_birds
from service.store.records import take_in as take_in_flock
from service.web.pages import Records, page, reader_of, store_of

router = APIRouter()


@router.get("/birds")
def flock(request: Request, records: Records) -> HTMLResponse:
    """All birds with their likeliest comb and genotype."""
    return page(request, "birds.html", found=answers(records), problem="")


@router.post("/birds")
def bring_in(request: Request, file: Annotated[UploadFile, File()]) -> Response:
    """Take in a flock list, all of it or nothing."""
    prior, name = reader_of(request).card.prior, file.filename or "flock.csv"
    try:
        text = as_text(file.file.read(10_000_000), name)
        with store_of(request).writing("keeper", f"flock list {name}") as session:
            take_in_flock(session, parse_flock(text, name, kept_birds(session)))
        refresh(store_of(request), prior, date.today())
    except (FlockError, PedigreeError) as error:
        with store_of(request).reading() as session:
            found = answers(session)
        return page(request, "birds.html", status=422, found=found, problem=str(error))
    return RedirectResponse("/birds", status_code=303)


@router.get("/birds.csv")
def written_out(records: Records) -> Response:
    """The flock list as it could be brought in again."""
    rows = records.scalars(select(BirdRow).order_by(BirdRow.id)).all()
    return Response(
        csv_text(table([as_listed(row) for row in rows])),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="flock.csv"'},
    )


@router.get("/birds/{band}")
def bird(request: Request, records: Records, band: str) -> HTMLResponse:
    """One bird: photos, candidates as a table of R and P, evidence, what changed since last."""
    row = records.scalar(
        select(BirdRow)
        .where(BirdRow.band == band)
        .options(selectinload(BirdRow.photos).selectinload(PhotoRow.readings))
    )
    if row is None:
        raise HTTPException(404, f"no bird with the band {band}")
    item = judged(records, [band]).get(band)
    cards = [
        {"photo": p, "reading": model_reading(p), "corrected": person_comb(p), "item": item}
        for p in row.photos
    ]
    candidate = item.candidate if item else answer(records, band)
    if candidate is None:  # brought in by another program, which left this to us
        refresh(store_of(request), reader_of(request).card.prior, date.today(), [band], ())
        with store_of(request).reading() as fresh:
            candidate = answer(fresh, band)
    return page(request, "bird.html", bird=row, cards=cards, item=item, candidate=candidate)


@router.post("/birds/{band}/changes")
def changes(request: Request, band: str) -> HTMLResponse:
    """What changed of a bird since this was last asked."""
    refresh(store_of(request), reader_of(request).card.prior, date.today(), [band], {band})
    with store_of(request).writing("keeper", "look") as session:
        told = glance(session, band)
    return page(request, "changes.html", band=band, told=told)
