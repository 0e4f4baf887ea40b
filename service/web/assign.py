"""Photos given to their birds, many in one go."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, BackgroundTasks, Form, Query, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy.orm import Session

from service import clock
from service.actions.photos import assign_photos
from service.errors import NotFound
from service.views.assigning import FILLS, Loose, count_loose, loose_photos, suggested
from service.views.walk import KINDS, birds_on_walk, groups
from service.web.pages import Records, desk_of, gone_to, number_in, page, store_of
from service.wording.sentences import say

router = APIRouter(prefix="/assign")
SHOWN, MOST_EACH = 60, 9


def show(
    request: Request,
    records: Session,
    asked: Mapping[str, str],
    photos: list[str],
    problem: str = "",
    written: Mapping[str, str] | None = None,
) -> HTMLResponse:
    """Return the table of photos with their bands, as suggested or as `written`."""
    kind, _, number = asked.get("group", "").partition("-")
    key = number_in(number)
    if kind not in KINDS or key is None:
        kind, key = "all", 0
    birds = birds_on_walk(records, kind, key, clock.today())
    fill = asked.get("fill", "") if asked.get("fill", "") in FILLS else ""
    each = number_in(asked.get("each", ""))
    each = 1 if each is None or each > MOST_EACH else each
    bare = [bird.band for bird in birds if not bird.photos]
    loose = suggested(records, loose_photos(records, SHOWN, photos), fill, bare, each)
    if not fill and not written and asked.get("band"):
        loose = [Loose(p.sha256, p.name, p.taken, asked["band"][:80]) for p in loose]
    if written is not None:
        loose = [Loose(p.sha256, p.name, p.taken, written.get(p.sha256, "")) for p in loose]
    return page(
        request,
        "assign.html",
        status=422 if problem else 200,
        loose=loose,
        count=count_loose(records),
        birds=birds,
        groups=groups(records),
        group=f"{kind}-{key}",
        fill=fill,
        each=each,
        problem=problem,
        asked_band=asked.get("band", "")[:80],
        most_each=MOST_EACH,
    )


@router.get("")
def table(
    request: Request, records: Records, photo: Annotated[list[str] | None, Query()] = None
) -> HTMLResponse:
    """Show photos without a bird, the earliest first, beside the bands they may belong to."""
    return show(request, records, request.query_params, photo or [])


@router.post("")
def give(
    request: Request,
    records: Records,
    later: BackgroundTasks,
    photo: Annotated[list[str] | None, Form()] = None,
    band: Annotated[list[str] | None, Form()] = None,
    new: Annotated[bool, Form()] = False,
    group: Annotated[str, Form(max_length=40)] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Give photos to their birds as one act; a band that isn't on record is asked about."""
    pairs = list(zip(photo or [], (b.strip()[:80] for b in band or []), strict=False))
    try:
        act = assign_photos(desk_of(request, later, by), pairs, new=new)
    except NotFound as error:
        return show(request, records, {"group": group}, [], say(error), dict(pairs))
    with store_of(request).reading() as now:
        left = count_loose(now)
    return gone_to(request, f"/assign?group={quote(group)}" if left else "/sort", act.name, by)
