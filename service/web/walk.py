"""The grow-out walk: a pen or hatch, bird by bird, photos as one goes."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import select
from sqlalchemy.orm import selectinload

from service import clock
from service.errors import NotFound
from service.records.corrections import exists
from service.records.tables import BirdRow, PhotoRow
from service.views.photo_cards import cards_of
from service.views.walk import KINDS, birds_on_walk, group, groups
from service.web.pages import Records, page

router = APIRouter()


@router.get("/walk")
def choose(request: Request, records: Records) -> HTMLResponse:
    """Choose a hatch or a pen."""
    return page(request, "walk.html", groups=groups(records))


@router.get("/walk/{kind}/{number}")
def walk(
    request: Request, records: Records, kind: str, number: int, band: str = ""
) -> HTMLResponse:
    """Return the birds of a group; with a band chosen, its photos, and the bird that comes next."""
    found = group(records, kind, number) if kind in KINDS else None
    if found is None:
        raise NotFound("no_such_group")
    birds = birds_on_walk(records, kind, number, clock.today())
    chosen = band.strip()
    photos = records.scalars(
        select(PhotoRow)
        .where(PhotoRow.bird.has(BirdRow.band == chosen))
        .order_by(PhotoRow.id.desc())
        .limit(12)
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    ).all()
    rest = [b.band for b in birds if not b.today and b.band != chosen]
    after = [b.band for b in birds]
    place = after.index(chosen) if chosen in after else -1
    following = next((b for b in after[place + 1 :] if b in rest), rest[0] if rest else "")
    return page(
        request,
        "walking.html",
        group=found,
        birds=birds,
        band=chosen,
        known=not chosen or chosen in after or exists(records, chosen),
        cards=cards_of(records, photos),
        following=following,
        done=sum(b.today > 0 for b in birds),
    )
