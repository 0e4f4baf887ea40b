"""Birds: the flock list in and out of view, and all that is known of each bird."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, File, Form, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from genetics.errors import GeneticsError
from service import clock
from service.actions.flock import decide as act_decide
from service.actions.lists import import_list
from service.actions.observations import note_sighting
from service.answers.assessments import assess_birds
from service.answers.refresh import answer, glance, refresh
from service.errors import NotFound, ServiceError, StoreError, status_of
from service.flock.assessment import Item
from service.flock.candidates import Candidate
from service.records.birds import as_listed
from service.records.entries import CHOICES
from service.records.exchange.flocklist import csv_file, table
from service.records.exchange.importing import MOST_LIST
from service.records.tables import AnswerRow, BirdRow, DecisionRow
from service.views.bird_looks import last_noted
from service.views.family_tree import family_of
from service.views.photo_cards import cards_of
from service.views.second_opinion import bird_with_photos, rule_of, settling_steps
from service.web.charts import weights
from service.web.pages import (
    Records,
    day_in,
    desk_of,
    gone_to,
    name_of,
    page,
    quote_path,
    reader_of,
    store_of,
)
from service.wording.sentences import Message, say

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
        found=[Candidate.from_data(row.content) for row in rows],
        count=count,
        start=first,
        shown=SHOWN,
        band=band.strip(),
        conflicts=conflicts,
        problem="",
    )


@router.post("/birds")
def bring_in(
    request: Request,
    later: BackgroundTasks,
    file: Annotated[UploadFile, File()],
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Take in a flock list, all of it or nothing."""
    try:
        data = file.file.read(MOST_LIST + 1)
        act, _ = import_list(desk_of(request, later, by), data, file.filename or "flock.csv")
    except (ServiceError, GeneticsError) as error:
        return page(
            request, "birds.html", status=status_of(error), found=[], count=0, start=0,
            shown=SHOWN, band="", conflicts=False, problem=say(error),
        )  # fmt: skip
    return gone_to(request, "/birds", act.name, by)


@router.get("/birds.csv")
def written_out(records: Records) -> Response:
    """Return the flock list as it could be brought in again."""
    rows = records.scalars(select(BirdRow).order_by(BirdRow.id)).all()
    return Response(
        csv_file(table([as_listed(row) for row in rows])),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="flock.csv"'},
    )


def bird_row(records: Session, band: str) -> BirdRow:
    """Return a bird with its photos; 404 if there is none."""
    row = bird_with_photos(records, band)
    if row is None:
        raise NotFound("no_such_bird", band=band)
    return row


def known_of(request: Request, records: Session, row: BirdRow) -> tuple[Candidate, Item | None]:
    """Return a bird's candidates, worked out now if that was left to us, and its pile."""
    item = assess_birds(records, [row.band]).get(row.band)
    candidate = item.candidate if item else answer(records, row.band)
    if candidate is None:  # brought in by another program
        refresh(store_of(request), reader_of(request).card.prior, clock.today(), [row.band])
        with store_of(request).reading() as fresh:
            candidate = answer(fresh, row.band)
    if candidate is None:
        raise StoreError("answers_pending")
    return candidate, item


@router.get("/birds/{band:path}/changes")
def no_changes(band: str) -> RedirectResponse:
    """Return what changed is asked by a button; a link leads to the bird."""
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
        seen=last_noted(records, row),
        cards=cards,
        item=item,
        candidate=candidate,
        weights=weights(candidate),
        steps=settling_steps(records, row, candidate, item, clock.today()),
        family=family_of(records, row),
        rule=rule_of(records, row, candidate),
        decisions=decisions,
        choices=CHOICES,
    )


@router.post("/birds/{band:path}/changes")
def changes(request: Request, band: str) -> HTMLResponse:
    """Return what changed of a bird since this was last asked."""
    refresh(store_of(request), reader_of(request).card.prior, clock.today(), [band])
    with store_of(request).writing(name_of(request), Message("act_look", band=band)) as session:
        changed = glance(session, band)
    return page(request, "changes.html", band=band, changed=changed)


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
    seen = YES_NO.get(crest), YES_NO.get(beard)
    act = note_sighting(desk_of(request, later, by), band, *seen, wattles)
    return gone_to(request, f"/birds/{quote_path(band)}", act.name, by)


@router.post("/birds/{band:path}/decisions")
def decide(
    request: Request,
    band: str,
    choice: Annotated[str, Form()],
    reason: Annotated[str, Form(max_length=2000)] = "",
    recheck: Annotated[str, Form()] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Return the keeper's decision, with its reason."""
    day = day_in(recheck, "recheck")
    act = act_decide(desk_of(request, None, by), band, choice, reason, day)
    return gone_to(request, f"/birds/{quote_path(band)}", act.name, by)
