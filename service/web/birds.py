"""Birds: the flock list in and out of view, candidates of each bird."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, File, HTTPException, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from genetics.pedigree import PedigreeError
from service.candidates import Candidate, candidates
from service.flock import FlockError, parse_flock
from service.store.models import BirdRow, PhotoRow
from service.store.records import kept_flock, kept_readings, model_reading, person_comb
from service.store.records import take_in as take_in_flock
from service.triage import Item, item_of
from service.web.pages import Records, page, reader_of

router = APIRouter()


def all_candidates(request: Request, records: Session) -> list[Candidate]:
    """Candidates of all kept birds."""
    prior = reader_of(request).card.prior
    return candidates(kept_flock(records), kept_readings(records), prior, date.today())


def candidate_of(request: Request, records: Session, band: str) -> Candidate | None:
    """The candidate of one bird, or None if there is no such bird."""
    return next((c for c in all_candidates(request, records) if c.bird == band), None)


def judged_birds(request: Request, records: Session) -> dict[str, Item]:
    """Every bird with photos, judged with its relatives as in a triage."""
    flock, readings = kept_flock(records), kept_readings(records)
    rows = {b.bird: b for b in flock.birds}
    found = candidates(flock, readings, reader_of(request).card.prior, date.today())
    return {
        c.bird: item_of(c.bird, (), tuple(readings[c.bird]), c, rows[c.bird])
        for c in found
        if c.bird in readings
    }


@router.get("/birds")
def flock(request: Request, records: Records) -> HTMLResponse:
    """All birds with their likeliest comb and genotype."""
    return page(request, "birds.html", found=all_candidates(request, records), problem="")


@router.post("/birds")
def bring_in(request: Request, records: Records, file: Annotated[UploadFile, File()]) -> Response:
    """Take in a flock list, all of it or nothing."""
    try:
        try:
            text = file.file.read(10_000_000).decode("utf-8-sig")
        except UnicodeDecodeError:
            raise FlockError("the file isn't UTF-8; save the list as CSV in UTF-8") from None
        with records.begin_nested():
            take_in_flock(records, parse_flock(text, file.filename or "flock.csv"))
            all_candidates(request, records)
    except (FlockError, PedigreeError) as error:
        records.expire_all()
        found = all_candidates(request, records)
        return page(request, "birds.html", status=422, found=found, problem=str(error))
    return RedirectResponse("/birds", status_code=303)


@router.get("/birds/{band}")
def bird(request: Request, records: Records, band: str) -> HTMLResponse:
    """One bird: photos, candidates as a table of R and P, evidence."""
    row = records.scalar(
        select(BirdRow)
        .where(BirdRow.band == band)
        .options(selectinload(BirdRow.photos).selectinload(PhotoRow.readings))
    )
    if row is None:
        raise HTTPException(404, f"no bird with the band {band}")
    item = judged_birds(request, records).get(band)
    cards = [
        {"photo": p, "reading": model_reading(p), "corrected": person_comb(p), "item": item}
        for p in row.photos
    ]
    candidate = item.candidate if item else candidate_of(request, records, band)
    return page(request, "bird.html", bird=row, cards=cards, item=item, candidate=candidate)
