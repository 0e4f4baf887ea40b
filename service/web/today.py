"""The first page: what waits, what is due, photos in, what was read last; how to begin."""

from __future__ import annotations

from fastapi import APIRouter, BackgroundTasks, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import func, select
from sqlalchemy.orm import selectinload

from service import clock
from service.actions.demo import demo_birds, demo_folder, load_demo, throw_demo_away
from service.records.tables import AnswerRow, BirdRow, PhotoRow
from service.views.assigning import count_loose
from service.views.bird_list import first_bands, unread_count, with_due_day
from service.views.photo_cards import cards_of
from service.views.sorting import progress
from service.views.worth_reading import worth_reading
from service.web.pages import (
    SUGGESTED,
    Records,
    desk_of,
    gone_to,
    page,
    readers_of,
    settings_of,
)

router = APIRouter()
SHOWN, DUE = 24, 12


@router.get("/")
def today(request: Request, records: Records) -> HTMLResponse:
    """Return what waits to be looked at; take photos; the last ones with their readings."""
    rows = records.scalars(
        select(PhotoRow)
        .order_by(PhotoRow.id.desc())
        .limit(SHOWN)
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    ).all()
    birds = records.scalar(select(func.count()).select_from(BirdRow)) or 0
    conflicts = records.scalar(
        select(func.count()).select_from(AnswerRow).where(AnswerRow.in_conflict)
    )
    due = with_due_day(records, clock.today())
    return page(
        request,
        "today.html",
        cards=cards_of(records, rows),
        bands=first_bands(records, SUGGESTED),
        progress=progress(records),
        conflicts=conflicts or 0,
        birds=birds,
        unread=unread_count(records),
        loose=count_loose(records),
        due=due[:DUE],
        due_count=len(due),
        demo_there=demo_folder() is not None,
        teach=worth_reading(records),
        watch=readers_of(request).watch,
        demo=0 < birds <= SUGGESTED and bool(demo_birds(records)),
    )


@router.post("/demo")
def bring_demo(request: Request, later: BackgroundTasks) -> Response:
    """Load the demo flock into empty records."""
    desk = desk_of(request, later)
    _, photos = load_demo(desk, settings_of(request))
    desk.leave("photos", photos=photos)
    return gone_to(request, "/sort")


@router.post("/demo/away")
def take_demo_away(request: Request, later: BackgroundTasks) -> Response:
    """Take the demo flock out again."""
    act = throw_demo_away(desk_of(request, later))
    return gone_to(request, "/", act.name)
