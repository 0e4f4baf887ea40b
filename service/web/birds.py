"""Birds: the flock list in and out of view, and all that is known of each bird."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, File, Form, HTTPException, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from genetics.pedigree import PedigreeError
from service import clock
from service.answers.assessments import judged
from service.answers.refresh import answer, glance, refresh, unexplained
from service.flock.assessment import Item
from service.flock.candidates import Candidate, as_candidate
from service.flock.flock_csv import FlockError, as_text, parse_flock
from service.records.birds import as_listed, kept_birds
from service.records.birds import take_in as take_in_flock
from service.records.entries import CHOICES, decided, sighted
from service.records.exchange.flocklist import csv_text, table
from service.records.tables import AnswerRow, BirdRow, DecisionRow
from service.views.family_tree import family_of
from service.views.photo_cards import cards_of
from service.views.second_opinion import as_seen, bird_with_photos, rule_of, settling_steps
from service.web.charts import weights
from service.web.pages import (
    Records,
    acting,
    gone_to,
    page,
    quote_path,
    reader_of,
    signed,
    store_of,
    worked_in,
)

router = APIRouter()
SHOWN = 100


@router.get("/birds")
def flock(
    request: Request, records: Records, band: str = "", start: int = 0, conflicts: bool = False
) -> HTMLResponse:
    """Birds with their likeliest comb and genotype, some at a time."""
    query = select(AnswerRow).join(BirdRow)
    if band.strip():
        query = query.where(BirdRow.band.contains(band.strip(), autoescape=True))
    if conflicts:
        query = query.where(AnswerRow.in_conflict)
    count = records.scalar(select(func.count()).select_from(query.subquery())) or 0
    first = max(0, start)
    rows = records.scalars(query.order_by(AnswerRow.bird_id).offset(first).limit(SHOWN))
    return page(
        request,
        "birds.html",
        found=[as_candidate(row.content) for row in rows],
        count=count,
        start=first,
        shown=SHOWN,
        band=band.strip(),
        conflicts=conflicts,
        problem="",
    )


@router.post("/birds")
def bring_in(request: Request, file: Annotated[UploadFile, File()]) -> Response:
    """Take in a flock list, all of it or nothing."""
    prior, name = reader_of(request).card.prior, file.filename or "flock.csv"
    try:
        text = as_text(file.file.read(10_000_000), name)
        with store_of(request).writing(signed(request), f"flock list {name}") as session:
            take_in_flock(session, parse_flock(text, name, kept_birds(session)))
            act = session.info["batch"]
        refresh(store_of(request), prior, clock.today())
    except (FlockError, PedigreeError) as error:
        return page(
            request, "birds.html", status=422, found=[], count=0, start=0, shown=SHOWN,
            band="", conflicts=False, problem=str(error),
        )  # fmt: skip
    return gone_to(request, "/birds", act)


@router.get("/birds.csv")
def written_out(records: Records) -> Response:
    """The flock list as it could be brought in again."""
    rows = records.scalars(select(BirdRow).order_by(BirdRow.id)).all()
    return Response(
        csv_text(table([as_listed(row) for row in rows])),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="flock.csv"'},
    )


def bird_row(records: Session, band: str) -> BirdRow:
    """A bird with its photos; 404 if there is none."""
    row = bird_with_photos(records, band)
    if row is None:
        raise HTTPException(404, f"no bird with the band {band}")
    return row


def known_of(request: Request, records: Session, row: BirdRow) -> tuple[Candidate, Item | None]:
    """A bird's candidates, worked out now if that was left to us, and its pile."""
    item = judged(records, [row.band]).get(row.band)
    candidate = item.candidate if item else answer(records, row.band)
    if candidate is None:  # brought in by another program
        refresh(store_of(request), reader_of(request).card.prior, clock.today(), [row.band], ())
        with store_of(request).reading() as fresh:
            candidate = answer(fresh, row.band)
    if candidate is None:
        raise HTTPException(503, "its candidates are being worked out; try again in a minute")
    return candidate, item


@router.get("/birds/{band:path}/changes")
def no_changes(band: str) -> RedirectResponse:
    """What changed is asked by a button; a link leads to the bird."""
    return RedirectResponse(f"/birds/{band}")


@router.get("/birds/{band:path}")
def bird(request: Request, records: Records, band: str) -> HTMLResponse:
    """One bird: photos, candidates, evidence, family, and what would settle it."""
    row = bird_row(records, band)
    candidate, item = known_of(request, records, row)
    cards = cards_of(records, row.photos)
    decisions = records.scalars(
        select(DecisionRow).where(DecisionRow.bird_id == row.id).order_by(DecisionRow.id.desc())
    ).all()
    return page(
        request,
        "bird.html",
        bird=row,
        seen=as_seen(records, row),
        cards=cards,
        item=item,
        candidate=candidate,
        weights=weights(candidate),
        unexplained=unexplained(records, band),
        steps=settling_steps(records, row, candidate, item, clock.today()),
        family=family_of(records, row),
        rule=rule_of(records, row, bool(candidate.conflict)),
        decisions=decisions,
        choices=CHOICES,
    )


@router.post("/birds/{band:path}/changes")
def changes(request: Request, band: str) -> HTMLResponse:
    """What changed of a bird since this was last asked."""
    refresh(store_of(request), reader_of(request).card.prior, clock.today(), [band], {band})
    with store_of(request).writing(signed(request), "look") as session:
        told = glance(session, band)
    return page(request, "changes.html", band=band, told=told)


@router.post("/birds/{band:path}/why")
def weigh(request: Request, band: str) -> Response:
    """Weigh what may lie behind a conflict; in a large family that takes a second or more."""
    refresh(store_of(request), reader_of(request).card.prior, clock.today(), [band], {band})
    return gone_to(request, f"/birds/{quote_path(band)}")


YES_NO = {"yes": True, "no": False, "": None}


@router.post("/birds/{band:path}/seen")
def note_seen(
    request: Request,
    later: BackgroundTasks,
    band: str,
    crest: Annotated[str, Form()] = "",
    beard: Annotated[str, Form()] = "",
    wattles: Annotated[str, Form()] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Crest, beard and wattles as seen on the bird today."""
    name = signed(request, by)
    with acting(request, name, f"seen on bird {band}") as session:
        seen = YES_NO.get(crest), YES_NO.get(beard)
        sighted(session, band, name, *seen, wattles, clock.today())
        act = session.info["batch"]
    worked_in(request, later, [band])
    return gone_to(request, f"/birds/{quote_path(band)}", act, by)


@router.post("/birds/{band:path}/decisions")
def decide(
    request: Request,
    band: str,
    choice: Annotated[str, Form()],
    reason: Annotated[str, Form(max_length=2000)] = "",
    recheck: Annotated[str, Form()] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """The keeper's decision, with its reason."""
    name = signed(request, by)
    try:
        day = date.fromisoformat(recheck) if recheck else None
    except ValueError:
        raise HTTPException(422, f"{recheck!r} is no day; write it as YYYY-MM-DD") from None
    with acting(request, name, f"decision on bird {band}: {choice}") as session:
        decided(session, band, name, choice, reason, day)
        act = session.info["batch"]
    return gone_to(request, f"/birds/{quote_path(band)}", act, by)
