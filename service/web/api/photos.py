"""Requests: photos, their bands, what people see on them, and sorting."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import BackgroundTasks, File, Form, Query, Response, UploadFile
from fastapi import Request as Asked
from sqlalchemy import select

from service.actions.observations import observe_comb
from service.actions.photos import assign_photo, bands_of
from service.actions.photos import take_in as keep_photos
from service.errors import Refusal, UsageMistake
from service.flock.assessment import PILE_ORDER
from service.records.intake.bands import band_of_codes
from service.records.intake.decoding import codes_of
from service.records.intake.read_pending import read_pending
from service.records.memory import give_back_memory
from service.records.states import KEPT
from service.records.tables import BirdRow
from service.shapes.readings import Photo, Reading, Sorting
from service.views.photo_cards import Card, cards_of
from service.views.sorting import of_pile, progress
from service.web.api.answers import done, part
from service.web.api.models import (
    Assignment,
    CombSeen,
    Done,
    Label,
    Taken,
    one_of,
)
from service.web.pages import Records, comb_name, desk_of, reader_of, settings_of
from service.web.photos import photo_row, upload_of
from service.web.slices import Wanted
from service.wording.sentences import Message, say, with_sentence

router = part()


@router.post("/photos", tags=["photos"])
def take_in(
    request: Asked,
    later: BackgroundTasks,
    file: Annotated[UploadFile, File(description="One photo.")],
    bird: Annotated[str, Form(max_length=80)] = "",
    new: Annotated[bool, Form(description="The bird isn't on record yet.")] = False,
) -> Taken:
    """Keep a photo, read it, and say at once what is wrong with it."""
    settings, reader = settings_of(request), reader_of(request)
    desk = desk_of(request, later)
    upload = upload_of(file)
    if upload.name.lower().endswith(".zip"):
        raise UsageMistake("one_photo_at_a_time")
    incoming = keep_photos(desk, settings, [upload], bird, new=new)
    if incoming.problems:
        raise Refusal(incoming.problems[0].code, **incoming.problems[0].values)
    (taken,) = incoming.kept
    read_pending(desk.store, reader, [taken.sha256])
    give_back_memory()
    with desk.store.reading() as session:
        (card,) = cards_of(session, [photo_row(session, taken.sha256)])
    desk.leave("answers", bands=bands_of(desk.store, [taken.sha256]))
    reading = card.reading
    doubts = [say(doubt) for doubt in reading.doubts] if reading else []
    return Taken(
        sha256=taken.sha256,
        bird=card.photo.bird.band if card.photo.bird else "",
        new=taken.state == KEPT,
        like=card.photo.like,
        reading=Reading.model_validate(reading.as_json(say)) if reading else None,
        pile=reading.pile if reading else "",
        quality=doubts if reading and reading.pile == "new_photo" else [],
        comb=comb_name(reading.proposal) if reading else "",
        doubts=doubts,
        asked=say(incoming.asked) if incoming.asked else told_other(incoming.others),
    )


def told_other(others: Sequence[str]) -> str:
    """Return a sentence where a photo is another bird's already."""
    return say(Message("photo_of_other", band=others[0])) if others else ""


@router.post("/labels", tags=["photos"])
def label(records: Records, file: Annotated[UploadFile, File()]) -> Label:
    """Return the band on a photographed leg-band label."""
    data = file.file.read()
    bands = set(records.scalars(select(BirdRow.band)))
    band = band_of_codes(codes_of(file.filename or "label", data), bands)
    if band is None:
        raise Refusal("no_label_found")
    return Label(band=band)


def as_told(card: Card) -> dict[str, Any]:
    """Return a photo with its reading."""
    return {
        "sha256": card.photo.sha256,
        "name": card.photo.name,
        "bird": card.photo.bird.band if card.photo.bird else "",
        "pile": card.pile,
        "proposal": card.proposal,
        "confidence": round(card.confidence, 4),
        "doubts": [with_sentence(doubt) for doubt in card.doubts],
        "reading": card.reading.as_json(say) if card.reading else None,
        "people": [
            {"by": r.by, "comb": r.comb, "blind": r.blind} for r in card.photo.readings if r.person
        ],
    }


@router.get("/photos/{sha256}", tags=["photos"], response_model=Photo)
def photo(records: Records, sha256: str) -> dict[str, Any]:
    """One photo with its reading and what people saw."""
    (card,) = cards_of(records, [photo_row(records, sha256)])
    return as_told(card)


@router.post("/photos/{sha256}/comb", tags=["photos"])
def look(request: Asked, later: BackgroundTasks, sha256: str, said: CombSeen) -> Done:
    """Write down what a person sees on a photo."""
    desk = desk_of(request, later, said.by)
    return done(observe_comb(desk, sha256, said.comb, blind=said.blind))


@router.post("/photos/{sha256}/bird", tags=["photos"])
def assign(request: Asked, later: BackgroundTasks, sha256: str, said: Assignment) -> Done:
    """Say which bird is on a photo; an empty band takes it off again."""
    return done(assign_photo(desk_of(request, later, said.by), sha256, said.bird, new=said.new))


@router.get("/sort", tags=["sorting"], response_model=Sorting)
def table(
    request: Asked,
    response: Response,
    records: Records,
    part: Wanted,
    pile: Annotated[str, Query(json_schema_extra=one_of(*PILE_ORDER))] = PILE_ORDER[0],
) -> dict[str, Any]:
    """How far the sorting is, and a pile's photos, worst risk first."""
    if pile not in PILE_ORDER:
        raise UsageMistake("unknown_pile", pile=pile, known=PILE_ORDER)
    now = progress(records)
    part.told(request, response, now.open[pile])
    cards = cards_of(records, of_pile(records, pile, None, part.count, part.start))
    return {
        "photos": now.photos,
        "read": now.read,
        "looked_at": now.looked_at,
        "open": now.open,
        "pile": [as_told(card) for card in cards],
    }
