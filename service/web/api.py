"""The JSON interface under /api/v1: what the pages do, for programs and for pages without a net.

Described at /api/v1/openapi.json (OpenAPI 3.1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, File, Form, Query, Response, UploadFile
from fastapi import Path as InPath
from fastapi import Request as Asked
from sqlalchemy import select

from genetics.planning import usual_rates
from service import clock
from service.actions import access
from service.actions.birds import correct_bird, rename_bird, swap_bands, write_down_bird
from service.actions.desk import Act as Performed
from service.actions.flock import (
    count_chicks,
    move_into_pen,
    move_out_of_pen,
    note_hatch,
)
from service.actions.flock import decide as decide_bird
from service.actions.lists import TURN, import_list, undo
from service.actions.observations import note_sighting, observe_comb
from service.actions.photos import assign_photo, bands_of
from service.actions.photos import take_in as keep_photos
from service.errors import NotSignedIn, Refusal, UsageMistake
from service.flock.assessment import PILE_ORDER
from service.flock.crosses import cross_answer
from service.flock.matings import mating_test
from service.records.audit_log import act_json, acts
from service.records.birds import as_listed
from service.records.exchange.dates import ORDERS
from service.records.exchange.importing import MOST_LIST, sheet_of
from service.records.exchange.mapping import EGGS, LIVES, Choices, choose_columns
from service.records.intake.bands import band_of_codes
from service.records.intake.decoding import codes_of
from service.records.intake.read_pending import read_pending
from service.records.limits import MOST_INTEGER
from service.records.memory import give_back_memory
from service.records.states import KEPT
from service.records.tables import BirdRow
from service.views.pens_and_hatches import hatches, pens
from service.views.photo_cards import Card, cards_of
from service.views.second_opinion import step_json, useful_steps
from service.views.sorting import of_pile, progress
from service.web.accounts import signed_out, visitor_of
from service.web.api_models import (
    PROBLEMS,
    Act,
    Assignment,
    CombSeen,
    Counted,
    Decision,
    Done,
    Facts,
    Hatch,
    Label,
    NewBird,
    OtherBand,
    Seen,
    SignIn,
    Stay,
    Taken,
    WhoAmI,
    one_of,
)
from service.web.birds import bird_row, known_of
from service.web.cookies import set_session
from service.web.matings import subject_named
from service.web.opinions import opinion_of
from service.web.pages import Records, comb_name, desk_of, reader_of, settings_of, store_of
from service.web.photos import photo_row, upload_of
from service.wording.sentences import Message, as_data, say, with_sentence

router = APIRouter(prefix="/api/v1", responses=PROBLEMS)
Start = Annotated[int, Query(ge=0, le=MOST_INTEGER, description="How many to leave out.")]
Band = Annotated[str, InPath(description="The bird's band.", examples=["17"])]


def done(act: Performed) -> Done:
    """Return an act for programs."""
    return Done(act=act.name, said=with_sentence(act.said), birds=list(act.bands))


@router.post("/session", tags=["access"])
def sign_in(request: Asked, answer: Response, who: SignIn) -> WhoAmI:
    """Begin a session: its cookie comes with the answer."""
    store = store_of(request)
    address = request.client.host if request.client else ""
    token = access.sign_in(store, who.name, who.password, address)
    set_session(answer, request, request.app.state.signer, token)
    found = access.visitor_of(store, token)
    assert found is not None
    return WhoAmI(name=found[0].name, role=found[0].role)


@router.get("/session", tags=["access"])
def who_am_i(request: Asked) -> WhoAmI:
    """Say who asks."""
    visitor = visitor_of(request)
    if visitor is None:
        raise NotSignedIn("not_signed_in")
    return WhoAmI(name=visitor.name, role=visitor.role)


@router.delete("/session", tags=["access"], status_code=204)
def sign_out(request: Asked) -> Response:
    """End the session."""
    answer = Response(status_code=204)
    signed_out(request, answer)
    return answer


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
    later.add_task(replace(desk, later=None).work_in, bands_of(desk.store, [taken.sha256]))
    reading = card.reading
    doubts = [say(doubt) for doubt in reading.doubts] if reading else []
    return Taken(
        sha256=taken.sha256,
        bird=card.photo.bird.band if card.photo.bird else "",
        new=taken.state == KEPT,
        like=card.photo.like,
        reading=reading.as_json(say) if reading else None,
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


@router.get("/photos/{sha256}", tags=["photos"])
def photo(records: Records, sha256: str) -> dict[str, Any]:
    """One photo with its reading and what people saw."""
    (card,) = cards_of(records, [photo_row(records, sha256)])
    return as_told(card)


@router.post("/photos/{sha256}/comb", tags=["photos"])
def look(request: Asked, later: BackgroundTasks, sha256: str, said: CombSeen) -> Done:
    """Write down what a person sees on a photo."""
    desk = desk_of(request, later, said.by)
    return done(observe_comb(desk, sha256, said.comb, blind=said.blind))


@router.get("/sort", tags=["sorting"])
def table(
    records: Records,
    pile: Annotated[str, Query(json_schema_extra=one_of(*PILE_ORDER))] = PILE_ORDER[0],
    start: Start = 0,
) -> dict[str, Any]:
    """How far the sorting is, and a pile's photos, worst risk first."""
    if pile not in PILE_ORDER:
        raise UsageMistake("unknown_pile", pile=pile, known=PILE_ORDER)
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
    records: Records, start: Start = 0, count: Annotated[int, Query(ge=1, le=1000)] = 100
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


@router.get("/birds/{band}/opinion", tags=["birds"])
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


@router.post("/photos/{sha256}/bird", tags=["photos"])
def assign(request: Asked, later: BackgroundTasks, sha256: str, said: Assignment) -> Done:
    """Say which bird is on a photo; an empty band takes it off again."""
    return done(assign_photo(desk_of(request, later, said.by), sha256, said.bird, new=said.new))


@router.post("/birds", tags=["birds"])
def bring_in(
    request: Asked,
    later: BackgroundTasks,
    file: Annotated[UploadFile, File(description="A flock list: CSV, xlsx or ods.")],
    columns: Annotated[
        list[str] | None, Form(description="What a heading means, as 'Ring No=bird'.")
    ] = None,
    dates: Annotated[str, Form(json_schema_extra=one_of("", *ORDERS))] = "",
    pens: Annotated[str, Form(json_schema_extra=one_of("", LIVES, EGGS))] = "",
    hatches: Annotated[bool, Form(description="The birds of one day are a hatch.")] = False,
    parents: Annotated[bool, Form(description="Take in those only named as parents.")] = False,
    by: Annotated[str, Form(max_length=80)] = "",
) -> Done:
    """Bring in a flock list, all of it or nothing; headings are understood as the page does."""
    data, name = file.file.read(MOST_LIST + 1), file.filename or "flock.csv"
    with TURN:
        headings = sheet_of(data, name).headings
    meant = choose_columns(columns or [], headings)
    choices = Choices(meant, dates, pens, hatches, parents)
    act, _ = import_list(desk_of(request, later, by), data, name, choices)
    return done(act)


@router.post("/pens", tags=["flock"])
def live(request: Asked, later: BackgroundTasks, stay: Stay) -> Done:
    """Let birds move into a pen, or out of it."""
    desk = desk_of(request, later, stay.by)
    if stay.leave:
        return done(move_out_of_pen(desk, stay.name, stay.bands, stay.until))
    return done(move_into_pen(desk, stay.name, stay.bands, stay.since, stay.until))


@router.post("/hatches", tags=["flock"])
def hatched(request: Asked, later: BackgroundTasks, made: Hatch) -> Done:
    """Write down a hatch, made or added to."""
    desk = desk_of(request, later, made.by)
    return done(
        note_hatch(desk, made.name, made.pen, made.hatched, made.eggs, made.chicks, made.bands)
    )


@router.post("/matings", tags=["matings"])
def counted(request: Asked, later: BackgroundTasks, made: Counted) -> Done:
    """Write down chicks of a mating, counted by comb without bands."""
    desk = desk_of(request, later, made.by)
    return done(count_chicks(desk, made.sire, made.dam, made.chicks, made.purpose, made.started))


@router.get("/cross", tags=["matings"])
def cross(sire: str, dam: str, grid: bool = False, working: bool = False) -> dict[str, Any]:
    """Return what a mating gives, as `combwright cross --json` prints it."""
    return cross_answer(sire, dam, grid, working)


@router.get("/test-mating", tags=["matings"])
def trial(
    records: Records,
    bird: str,
    mate: str = "r+/r+ p+/p+",
    asked: Annotated[
        str, Query(description="R, P, or a genotype.", examples=["R", "P", "R/R P/P"])
    ] = "R",
    certainty: Annotated[float, Query(gt=0, lt=1)] = 0.95,
    scored: Annotated[tuple[str, ...], Query(description="Chicks so far, by comb word.")] = (),
) -> dict[str, Any]:
    """Chicks and eggs for a test mating, as `combwright test-mating --json` prints it."""
    subject, partner = subject_named(records, bird), subject_named(records, mate)
    return mating_test(subject, partner, asked, certainty, usual_rates(), list(scored))


@router.get("/flock", tags=["flock"])
def flock(records: Records) -> dict[str, Any]:
    """Pens with the share of single-combed chicks, and hatches against expectation."""
    return {
        "pens": [vars(pen) for pen in pens(records)],
        "hatches": [vars(hatch) for hatch in hatches(records)],
    }


@router.get("/trail", tags=["records"])
def trail(records: Records, last: Annotated[int, Query(ge=1, le=1000)] = 50) -> list[Any]:
    """Return what was changed, newest first."""
    return [act_json(act) for act in acts(records, last)]


@router.post("/undo", tags=["records"])
def take_back(request: Asked, later: BackgroundTasks, act: Act) -> Done:
    """Take back one act in full, or nothing of it."""
    taken, _ = undo(desk_of(request, later, act.by), act.act)
    return done(taken)
