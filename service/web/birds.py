"""Birds: the flock list in and out of view, and all that is known of each bird."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import clock
from service.actions.flock import decide as act_decide
from service.actions.observations import note_sighting
from service.answers.assessments import assess_birds
from service.answers.refresh import answer, glance, refresh
from service.errors import NotFound, StoreError
from service.flock.assessment import Item
from service.flock.candidates import Candidate
from service.records.entries import CHOICES
from service.records.tables import BirdRow, DecisionRow
from service.views.bird_list import first_bands
from service.views.bird_looks import last_noted
from service.views.family_tree import family_of
from service.views.photo_cards import cards_of
from service.views.second_opinion import bird_with_photos, rule_of, useful_steps
from service.web.charts import weights
from service.web.pages import (
    SUGGESTED,
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
from service.wording.sentences import Message

router = APIRouter()


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
    cards = cards_of(records, sorted(row.photos, key=lambda p: (p.taken or p.taken_in, p.id)))
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
        steps=useful_steps(
            records, row, candidate, item, reader_of(request).card.document, clock.today()
        )[0],
        family=family_of(records, row),
        rule=rule_of(records, row, candidate),
        decisions=decisions,
        choices=CHOICES,
        swaps=swaps_of(candidate),
        bands=first_bands(records, SUGGESTED),
    )


def swaps_of(candidate: Candidate) -> list[tuple[str, float]]:
    """Return birds with which this one's band may have been mixed up, by its conflict, each with
    the share of that explanation.
    """
    culprits = candidate.conflict.culprits if candidate.conflict else ()
    return [
        (other, culprit.share)
        for culprit in culprits
        if culprit.kind == "culprit_bands"
        for other in culprit.bands[1:]
    ]


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
