"""The JSON interface under /api/v1: what the pages do, for programs and for pages without a net.

Described at /api/v1/openapi.json (OpenAPI 3.1).
"""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, File, Form, HTTPException, Query, UploadFile
from fastapi import Path as InPath
from fastapi import Request as Asked
from pydantic import BaseModel, Field
from sqlalchemy import select

from classifier.photo import PhotoError, open_photo
from genetics.genotype import GenotypeError
from genetics.planning import usual_rates
from genetics.testmating import TestMatingError
from service import clock
from service.answers.refresh import refresh
from service.flock.assessment import PILE_ORDER
from service.flock.crosses import cross_answer
from service.flock.matings import mating_test
from service.records.audit_log import acts
from service.records.birds import as_listed
from service.records.entries import decided, looked, sighted
from service.records.intake.bands import band_in_picture
from service.records.intake.read_pending import unread
from service.records.states import KEPT
from service.records.tables import BirdRow
from service.views.pens_and_hatches import hatches, pens
from service.views.photo_cards import Card, cards_of
from service.views.second_opinion import settling_steps
from service.views.sorting import of_pile, progress
from service.web.birds import bird_row, known_of
from service.web.matings import named
from service.web.opinions import told_of
from service.web.pages import (
    Records,
    acting,
    language_of,
    reader_of,
    settings_of,
    signed,
    store_of,
    taken_back,
    told_comb,
    who,
    worked_in,
)
from service.web.photos import bands_of, keep, photo_row
from service.web.sentences import in_words

router = APIRouter(prefix="/api/v1")
Band = Annotated[str, InPath(description="The bird's band.", examples=["17"])]


class Taken(BaseModel):
    """A photo that was kept."""

    sha256: str
    bird: str = Field(description="Band, empty if not known.")
    new: bool = Field(description="False if this very photo was there already.")
    like: str = Field(description="SHA-256 of an earlier photo that shows all but the same.")
    reading: dict[str, Any] | None = Field(description="As `combwright read --json` prints it.")
    pile: str
    quality: list[str] = Field(description="Why to take another, while the bird is in the hand.")
    comb: str = Field(description="The proposal in words, in the visitor's language.")
    doubts: list[str] = Field(description="In the visitor's language.")


class Look(BaseModel):
    """A person's look at a photo."""

    comb: str = Field("", description="single, crest_folded_single, rose, pea, ...; '' can't tell.")
    by: str = ""
    blind: bool = False


class Seen(BaseModel):
    """Crest, beard and wattles as seen on a bird; null is not looked at."""

    crest: bool | None = None
    beard: bool | None = None
    wattles: str = ""
    on: date | None = None
    by: str = ""


class Decision(BaseModel):
    """The keeper's decision about a bird."""

    choice: str
    reason: str
    recheck: date | None = None
    by: str = ""


class Act(BaseModel):
    """What was done, by the name under which it can be taken back."""

    act: str


class Label(BaseModel):
    """The band on a label."""

    band: str


def refused(error: Exception) -> HTTPException:
    """What doesn't fit, as 422."""
    return HTTPException(422, str(error))


@router.post("/photos", tags=["photos"])
def take_in(
    request: Asked,
    later: BackgroundTasks,
    file: Annotated[UploadFile, File(description="One photo.")],
    bird: Annotated[str, Form(max_length=80)] = "",
) -> Taken:
    """Keep a photo, read it, and say at once what is wrong with it."""
    settings, store, reader = settings_of(request), store_of(request), reader_of(request)
    data = file.file.read(settings.most_upload + 1)
    name = Path(file.filename or "photo").name[:200]
    if name.lower().endswith(".zip"):
        raise HTTPException(422, "one photo at a time; archives go through the page or `intake`")
    incoming = keep(store, settings, [(name, data)], bird, who(request))
    if incoming.problems:
        raise HTTPException(422, incoming.problems[0])
    (taken,) = incoming.kept
    unread(store, reader, [taken.sha256])
    with store.reading() as session:
        (card,) = cards_of(session, [photo_row(session, taken.sha256)])
    later.add_task(
        refresh, store, reader.card.prior, clock.today(), bands_of(store, [taken.sha256])
    )
    reading = card.reading
    with language_of(request):
        comb = told_comb(reading.proposal) if reading else ""
        doubts = [in_words(doubt) for doubt in reading.doubts] if reading else []
    return Taken(
        sha256=taken.sha256,
        bird=card.photo.bird.band if card.photo.bird else "",
        new=taken.state == KEPT,
        like=card.photo.like,
        reading=reading.as_json() if reading else None,
        pile=reading.pile if reading else "",
        quality=doubts if reading and reading.pile == "new_photo" else [],
        comb=comb,
        doubts=doubts,
    )


@router.post("/labels", tags=["photos"])
def label(records: Records, file: Annotated[UploadFile, File()]) -> Label:
    """The band on a photographed leg-band label."""
    with tempfile.NamedTemporaryFile(suffix=Path(file.filename or "x.jpg").suffix) as copy:
        copy.write(file.file.read(40_000_000))
        copy.flush()
        try:
            picture = open_photo(Path(copy.name)).image
        except PhotoError as error:
            raise refused(error) from None
    bands = set(records.scalars(select(BirdRow.band)))
    band = band_in_picture(picture, bands)
    if band is None:
        raise HTTPException(422, "no label was found: hold it flat and fill half the picture")
    return Label(band=band)


def as_told(card: Card) -> dict[str, Any]:
    """A photo with its reading."""
    return {
        "sha256": card.photo.sha256,
        "name": card.photo.name,
        "bird": card.photo.bird.band if card.photo.bird else "",
        "pile": card.pile,
        "proposal": card.proposal,
        "confidence": round(card.confidence, 4),
        "doubts": list(card.doubts),
        "reading": card.reading.as_json() if card.reading else None,
        "people": [
            {"by": r.by, "comb": r.comb, "blind": r.blind} for r in card.photo.readings if r.person
        ],
    }


@router.get("/photos/{sha256}", tags=["photos"])
def photo(records: Records, sha256: str) -> dict[str, Any]:
    """One photo with its reading and what people saw."""
    (card,) = cards_of(records, [photo_row(records, sha256)])
    return as_told(card)


@router.post("/photos/{sha256}/comb", tags=["photos"])
def look(request: Asked, later: BackgroundTasks, sha256: str, said: Look) -> Act:
    """Write down what a person sees on a photo."""
    name = signed(request, said.by)
    with acting(request, name, f"comb read: {said.comb or 'not told'}") as session:
        band = looked(session, sha256, said.comb, name, said.blind)
        act = session.info["batch"]
    worked_in(request, later, [band] if band else [])
    return Act(act=act)


@router.get("/sort", tags=["sorting"])
def table(records: Records, pile: str = PILE_ORDER[0], start: int = 0) -> dict[str, Any]:
    """How far the sorting is, and a pile's photos, worst risk first."""
    if pile not in PILE_ORDER:
        raise HTTPException(422, f"pile {pile!r} is none of {', '.join(PILE_ORDER)}")
    now = progress(records)
    cards = cards_of(records, of_pile(records, pile, None, 50, max(0, start)))
    return {
        "photos": now.photos,
        "read": now.read,
        "looked_at": now.looked_at,
        "open": now.open,
        "pile": [as_told(card) for card in cards],
    }


@router.get("/birds", tags=["birds"])
def birds(
    records: Records, start: int = 0, count: Annotated[int, Query(ge=1, le=1000)] = 100
) -> list[dict[str, Any]]:
    """Birds as in flock.csv, some at a time."""
    rows = records.scalars(
        select(BirdRow).order_by(BirdRow.id).offset(max(0, start)).limit(count)
    ).all()
    found = []
    for row in map(as_listed, rows):
        found.append({"bird": row.bird, "sire": row.sire, "dam": row.dam, "sex": row.sex,
                      "hatched": row.hatched, "comb": row.comb})  # fmt: skip
    return found


@router.get("/birds/{band}", tags=["birds"])
def bird(request: Asked, records: Records, band: Band) -> dict[str, Any]:
    """A bird's candidates, photos, and what would settle it, the cheapest step first."""
    row = bird_row(records, band)
    candidate, item = known_of(request, records, row)
    cards = cards_of(records, row.photos)
    found = settling_steps(records, row, candidate, item, clock.today())
    return {
        **candidate.as_json(),
        "pile": item.pile if item else None,
        "reasons": list(item.reasons) if item else [],
        "photos": [as_told(card) for card in cards],
        "would_settle": [vars(step) for step in found],
    }


@router.get("/birds/{band}/opinion", tags=["birds"])
def second_opinion(request: Asked, records: Records, band: Band, mate: str = "") -> dict[str, Any]:
    """The second opinion: every number of its page and its sheet."""
    return told_of(request, records, band, mate).as_json()


@router.post("/birds/{band}/seen", tags=["birds"])
def seen(request: Asked, later: BackgroundTasks, band: Band, noted: Seen) -> Act:
    """Crest, beard and wattles as seen on a bird."""
    name = signed(request, noted.by)
    day = noted.on or clock.today()
    with acting(request, name, f"seen on bird {band}") as session:
        sighted(session, band, name, noted.crest, noted.beard, noted.wattles, day)
        act = session.info["batch"]
    worked_in(request, later, [band])
    return Act(act=act)


@router.post("/birds/{band}/decisions", tags=["birds"])
def decide(request: Asked, band: Band, made: Decision) -> Act:
    """The keeper's decision; the program itself gives no advice to part with a bird."""
    name = signed(request, made.by)
    with acting(request, name, f"decision on bird {band}") as session:
        decided(session, band, name, made.choice, made.reason, made.recheck)
        act = session.info["batch"]
    return Act(act=act)


@router.get("/cross", tags=["matings"])
def cross(sire: str, dam: str, grid: bool = False, working: bool = False) -> dict[str, Any]:
    """What a mating gives, as `combwright cross --json` prints it."""
    try:
        return cross_answer(sire, dam, grid, working)
    except GenotypeError as error:
        raise refused(error) from None


@router.get("/test-mating", tags=["matings"])
def trial(
    records: Records,
    bird: str,
    mate: str = "r+/r+ p+/p+",
    asked: str = "R",
    certainty: float = 0.95,
    scored: Annotated[tuple[str, ...], Query()] = (),
) -> dict[str, Any]:
    """Chicks and eggs for a test mating, as `combwright test-mating --json` prints it."""
    try:
        subject, partner = named(records, bird), named(records, mate)
        return mating_test(subject, partner, asked, certainty, usual_rates(), list(scored))
    except (GenotypeError, TestMatingError) as error:
        raise refused(error) from None


@router.get("/flock", tags=["flock"])
def flock(records: Records) -> dict[str, Any]:
    """Pens with the share of single-combed chicks, and hatches against expectation."""
    return {
        "pens": [vars(pen) for pen in pens(records)],
        "hatches": [vars(hatch) for hatch in hatches(records)],
    }


@router.get("/trail", tags=["records"])
def trail(records: Records, last: Annotated[int, Query(ge=1, le=1000)] = 50) -> list[Any]:
    """What was changed, newest first."""
    return [vars(act) for act in acts(records, last)]


@router.post("/undo", tags=["records"])
def take_back(request: Asked, later: BackgroundTasks, act: Act) -> Act:
    """Take back one act in full, or nothing of it."""
    return Act(act=taken_back(request, later, act.act))
