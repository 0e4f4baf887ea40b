"""The first page: what waits, photos in, what was read last."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import func, select
from sqlalchemy.orm import selectinload

from service.records.tables import AnswerRow, BirdRow, PhotoRow
from service.views.photo_cards import cards_of
from service.views.sorting import progress
from service.web.pages import SUGGESTED, Records, page

router = APIRouter()
SHOWN = 24


@router.get("/")
def today(request: Request, records: Records) -> HTMLResponse:
    """Return what waits to be looked at; take photos; the last ones with their readings."""
    rows = records.scalars(
        select(PhotoRow)
        .order_by(PhotoRow.id.desc())
        .limit(SHOWN)
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    ).all()
    conflicts = records.scalar(
        select(func.count()).select_from(AnswerRow).where(AnswerRow.in_conflict)
    )
    bands = records.scalars(select(BirdRow.band).order_by(BirdRow.id).limit(SUGGESTED)).all()
    return page(
        request,
        "today.html",
        cards=cards_of(records, rows),
        bands=bands,
        progress=progress(records),
        conflicts=conflicts or 0,
        birds=records.scalar(select(func.count()).select_from(BirdRow)) or 0,
    )
