"""Requests: birds, what is known of them, and what is decided."""

from __future__ import annotations

from typing import Any

from fastapi import BackgroundTasks, Response
from fastapi import Request as Asked
from sqlalchemy import func, select

from service import clock
from service.actions.birds import correct_bird, rename_bird, swap_bands, write_down_bird
from service.actions.flock import decide as decide_bird
from service.actions.observations import note_sighting
from service.records.birds import as_listed
from service.records.tables import BirdRow
from service.shapes.opinions import Bird, Opinion
from service.shapes.records import BirdRow as ListedBird
from service.views.photo_cards import cards_of
from service.views.second_opinion import step_json, useful_steps
from service.web.api.answers import Band, done, part
from service.web.api.models import (
    Decision,
    Done,
    Facts,
    NewBird,
    OtherBand,
    Seen,
)
from service.web.api.photos import as_told
from service.web.birds import bird_row, known_of
from service.web.opinions import opinion_of
from service.web.pages import Records, desk_of, reader_of
from service.web.slices import Wanted
from service.wording.sentences import as_data, with_sentence

router = part()


@router.get("/birds", tags=["birds"], response_model=list[ListedBird])
def birds(
    request: Asked, response: Response, records: Records, part: Wanted
) -> list[dict[str, Any]]:
    """Birds as in flock.csv, some at a time."""
    part.told(request, response, records.scalar(select(func.count(BirdRow.id))) or 0)
    rows = records.scalars(
        select(BirdRow).order_by(BirdRow.id).offset(part.start).limit(part.count)
    ).all()
    found = []
    for row in map(as_listed, rows):
        found.append({"bird": row.bird, "sire": row.sire, "dam": row.dam, "sex": row.sex,
                      "hatched": row.hatched, "comb": row.comb})  # fmt: skip
    return found


@router.get("/birds/{band}", tags=["birds"], response_model=Bird, response_model_exclude_unset=True)
def bird(request: Asked, records: Records, band: Band) -> dict[str, Any]:
    """Return a bird's candidates, photos, and what would settle it, the cheapest step first."""
    row = bird_row(records, band)
    candidate, item = known_of(request, records, row)
    cards = cards_of(records, row.photos)
    card = reader_of(request).card.document
    found, _ = useful_steps(records, row, candidate, item, card, clock.today())
    return {
        **candidate.as_json(),
        "pile": item.pile if item else None,
        "reasons": [with_sentence(reason) for reason in item.reasons] if item else [],
        "photos": [as_told(card) for card in cards],
        "would_settle": [step_json(step) | {"codes": as_data(step.says)} for step in found],
    }


@router.get(
    "/birds/{band}/opinion",
    tags=["birds"],
    response_model=Opinion,
    response_model_exclude_unset=True,
)
def second_opinion(request: Asked, records: Records, band: Band, mate: str = "") -> dict[str, Any]:
    """Return the second opinion: every number of its page and its sheet."""
    return opinion_of(request, records, band, mate).as_json()


@router.post("/birds/{band}/seen", tags=["birds"])
def seen(request: Asked, later: BackgroundTasks, band: Band, noted: Seen) -> Done:
    """Crest, beard and wattles as seen on a bird."""
    desk = desk_of(request, later, noted.by)
    return done(note_sighting(desk, band, noted.crest, noted.beard, noted.wattles, noted.on))


@router.post("/birds/{band}/decisions", tags=["birds"])
def decide(request: Asked, band: Band, made: Decision) -> Done:
    """Return the keeper's decision; the program itself gives no advice to part with a bird."""
    desk = desk_of(request, None, made.by)
    return done(decide_bird(desk, band, made.choice, made.reason, made.recheck))


@router.post("/new-birds", tags=["birds"])
def new_bird(request: Asked, later: BackgroundTasks, made: NewBird) -> Done:
    """Write down a bird that isn't on record yet."""
    desk = desk_of(request, later, made.by)
    return done(write_down_bird(desk, made.band, made.given(), made.hatch))


@router.post("/birds/{band}/facts", tags=["birds"])
def put_right(request: Asked, later: BackgroundTasks, band: Band, said: Facts) -> Done:
    """Put facts of a bird right."""
    return done(correct_bird(desk_of(request, later, said.by), band, said.given()))


@router.post("/birds/{band}/band", tags=["birds"])
def give_band(request: Asked, later: BackgroundTasks, band: Band, said: OtherBand) -> Done:
    """Give a bird another band, wherever it is named."""
    return done(rename_bird(desk_of(request, later, said.by), band, said.other))


@router.post("/birds/{band}/swap", tags=["birds"])
def swap(request: Asked, later: BackgroundTasks, band: Band, said: OtherBand) -> Done:
    """Let two birds whose bands were mixed up change places in the pedigree."""
    return done(swap_bands(desk_of(request, later, said.by), band, said.other))
