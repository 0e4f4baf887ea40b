"""The sorting table: readings confirmed, corrected, or left as 'can't tell'."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, Form, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import selectinload

from service.actions.lists import undo
from service.actions.observations import observe_combs
from service.errors import UsageMistake
from service.flock.assessment import PILE_ORDER
from service.records.tables import PhotoRow
from service.views.photo_cards import cards_of
from service.views.sorting import Progress, beside, of_pile, progress, to_read_blind
from service.views.walk import groups
from service.web.pages import Records, desk_of, gone_to, name_of, number_in, page

router = APIRouter()
SHOWN = 24
UNSURE = "unsure"  # an empty field of a form would count as missing
AS_PROPOSED = "as proposed"


def pile_asked(pile: str, how_far: Progress) -> str:
    """Return the pile that was asked for; without a name the first that isn't empty."""
    if pile in PILE_ORDER:
        return pile
    return next((p for p in PILE_ORDER if how_far.open[p]), PILE_ORDER[0])


@router.get("/sort")
def table(
    request: Request, records: Records, pile: str = "", hatch: str = "", start: int = 0
) -> HTMLResponse:
    """One pile, worst risk first; without a name the first that isn't empty."""
    number = number_in(hatch)
    how_far = progress(records, number)
    pile = pile_asked(pile, how_far)
    photos = of_pile(records, pile, number, SHOWN, max(0, start))
    return page(
        request,
        "sort.html",
        pile=pile,
        progress=how_far,
        cards=cards_of(records, photos),
        hatches=[g for g in groups(records) if g.kind == "hatch"],
        hatch=number,
        start=max(0, start),
        shown=SHOWN,
    )


@router.get("/sort/one")
def one_by_one(
    request: Request, records: Records, pile: str = "", hatch: str = "", start: int = 0
) -> HTMLResponse:
    """One bird of a pile with all its photos that nobody has looked at; then the next."""
    number = number_in(hatch)
    how_far = progress(records, number)
    pile = pile_asked(pile, how_far)
    first = max(0, start)
    found = of_pile(records, pile, number, 1, first) or of_pile(records, pile, number, 1, 0)
    photos = beside(records, found[0]) if found else []
    return page(
        request,
        "sort_one.html",
        pile=pile,
        progress=how_far,
        card=cards_of(records, found)[0] if found else None,
        photos=photos,
        hatch=number,
        start=first if first < how_far.open[pile] else 0,
    )


@router.get("/sort/blind")
def blind(
    request: Request, records: Records, hatch: str = "", by: str = "", last: str = ""
) -> HTMLResponse:
    """One photo after the other, without what anyone has read."""
    name = name_of(request, by)
    number = number_in(hatch)
    photos = to_read_blind(records, name, number, 1) if name else []
    before = records.scalar(select(PhotoRow).where(PhotoRow.sha256 == last)) if last else None
    seen = before and any(r.person and r.by == name for r in before.readings)
    return page(
        request,
        "blind.html",
        photo=photos[0] if photos else None,
        by=name,
        hatch=number,
        on_and_on=True,
        last=cards_of(records, [before])[0] if before and seen else None,
    )


@router.post("/sort")
def look(
    request: Request,
    later: BackgroundTasks,
    photo: Annotated[list[str] | None, Form()] = None,
    just: Annotated[str, Form()] = "",
    comb: Annotated[str, Form()] = AS_PROPOSED,
    other: Annotated[str, Form()] = "",
    by: Annotated[str, Form(max_length=80)] = "",
    back: Annotated[str, Form(max_length=400)] = "/sort",
) -> Response:
    """Write down a look at some photos: a comb, nothing for 'can't tell', or as proposed."""
    if just:  # the button of one photo, whatever else is ticked
        photo, comb = [just], AS_PROPOSED
    elif comb == "other":
        comb = other
    if comb == UNSURE:
        comb = ""
    if not photo:
        raise UsageMistake("no_photo_chosen")
    desk = desk_of(request, later, by)
    seen = [(sha256, comb) for sha256 in photo]
    if comb == AS_PROPOSED:
        with desk.store.reading() as session:
            rows = session.scalars(
                select(PhotoRow)
                .where(PhotoRow.sha256.in_(photo))
                .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
            ).all()
            seen = [(card.photo.sha256, card.proposal or "") for card in cards_of(session, rows)]
    act = observe_combs(desk, seen, as_proposed=comb == AS_PROPOSED)
    return gone_to(request, back, act.name, by)


@router.post("/undo")
def take_back(
    request: Request,
    later: BackgroundTasks,
    act: Annotated[str, Form(max_length=64)],
    back: Annotated[str, Form(max_length=400)] = "/",
) -> Response:
    """Take back one act in full; this too can be taken back."""
    done, _ = undo(desk_of(request, later), act)
    return gone_to(request, back, done.name)


@router.get("/sort/state")
def state(records: Records, hatch: str = "") -> dict[str, object]:
    """How far it is, for a page that stays open while a lot is read."""
    number = number_in(hatch)
    now = progress(records, number)
    return {
        "photos": now.photos,
        "read": now.read,
        "looked_at": now.looked_at,
        "open": now.open,
        "waiting": now.waiting,
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
    }
