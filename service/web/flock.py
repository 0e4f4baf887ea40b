"""The flock: pens and what their eggs will give, hatches against expectation, conflicts."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, Form, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import func, select

from service import clock
from service.answers.refresh import refresh
from service.flock.candidates import as_candidate
from service.records.database import StoreError
from service.records.entries import hatch, moved_in, moved_out
from service.records.tables import AnswerRow, BirdRow, HatchRow
from service.views.pens_and_hatches import hatches, pens
from service.web.pages import Records, acting, gone_to, page, reader_of, signed, store_of

router = APIRouter(prefix="/flock")
SHOWN = 20
HATCHES = 6


@router.get("")
def whole(request: Request, records: Records, start: int = 0) -> HTMLResponse:
    """Pens, hatches (some at a time), conflicts."""
    conflicts = records.scalars(
        select(AnswerRow).where(AnswerRow.in_conflict).order_by(AnswerRow.bird_id).limit(SHOWN)
    )
    return page(
        request,
        "flock.html",
        pens=pens(records),
        hatches=hatches(records, HATCHES, max(0, start)),
        start=max(0, start),
        shown=HATCHES,
        hatch_count=records.scalar(select(func.count()).select_from(HatchRow)),
        conflicts=[as_candidate(row.content) for row in conflicts],
        conflict_count=records.scalar(
            select(func.count()).select_from(AnswerRow).where(AnswerRow.in_conflict)
        ),
        birds=records.scalar(select(func.count()).select_from(BirdRow)),
    )


def day_of(text: str) -> date | None:
    """A day from a form; empty is none. Raises StoreError."""
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise StoreError(f"{text!r} is no day; write it as YYYY-MM-DD") from None


def bands_in(text: str) -> list[str]:
    """Bands as people write them down: by commas, spaces or lines.

    >>> bands_in("12, 14 15")
    ['12', '14', '15']
    """
    return list(dict.fromkeys(text.replace(",", " ").replace(";", " ").split()))


@router.post("/pens")
def live(
    request: Request,
    later: BackgroundTasks,
    name: Annotated[str, Form(max_length=80)],
    bands: Annotated[str, Form(max_length=4000)],
    on: Annotated[str, Form()] = "",
    leave: Annotated[bool, Form()] = False,
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Birds move into a pen, or out of it."""
    who_did = signed(request, by)
    store = store_of(request)
    with acting(request, who_did, f"birds {'out of' if leave else 'into'} pen {name}") as session:
        if leave:
            moved_out(session, name, bands_in(bands), day_of(on) or clock.today())
        else:
            moved_in(session, name, bands_in(bands), day_of(on))
        act = session.info["batch"]
    later.add_task(refresh, store, reader_of(request).card.prior, clock.today())
    return gone_to(request, "/flock", act, by)


def number_of(text: str) -> int | None:
    """A count from a form; empty is none. Raises StoreError."""
    if not text.strip():
        return None
    if not text.strip().isdecimal():
        raise StoreError(f"{text!r} is no count")
    return int(text)


@router.post("/hatches")
def hatched(
    request: Request,
    later: BackgroundTasks,
    name: Annotated[str, Form(max_length=80)],
    pen: Annotated[str, Form(max_length=80)] = "",
    on: Annotated[str, Form()] = "",
    eggs: Annotated[str, Form(max_length=8)] = "",
    chicks: Annotated[str, Form(max_length=8)] = "",
    bands: Annotated[str, Form(max_length=8000)] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """A hatch, made or added to."""
    who_did, store = signed(request, by), store_of(request)
    with acting(request, who_did, f"hatch {name}") as session:
        hatch(
            session,
            name,
            pen.strip(),
            day_of(on),
            number_of(eggs),
            number_of(chicks),
            bands_in(bands),
        )
        act = session.info["batch"]
    later.add_task(refresh, store, reader_of(request).card.prior, clock.today())
    return gone_to(request, "/flock", act, by)
