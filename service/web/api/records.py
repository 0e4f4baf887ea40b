"""Requests: lists, and the trail."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import BackgroundTasks, File, Form, Response, UploadFile
from fastapi import Request as Asked

from service.actions.lists import TURN, import_list, undo
from service.records.audit_log import act_json, acts, how_many_acts
from service.records.exchange.dates import ORDERS
from service.records.exchange.importing import MOST_LIST, sheet_of
from service.records.exchange.mapping import EGGS, LIVES, Choices, choose_columns
from service.shapes.records import TrailAct
from service.web.api.answers import done, part
from service.web.api.models import (
    Act,
    Done,
    one_of,
)
from service.web.pages import Records, desk_of
from service.web.slices import Wanted

router = part()


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


@router.get("/trail", tags=["records"], response_model=list[TrailAct])
def trail(
    request: Asked, response: Response, records: Records, part: Wanted
) -> list[dict[str, Any]]:
    """Return what was changed, newest first."""
    part.told(request, response, how_many_acts(records))
    return [act_json(act) for act in acts(records, part.count, part.start)]


@router.post("/undo", tags=["records"])
def take_back(request: Asked, later: BackgroundTasks, act: Act) -> Done:
    """Take back one act in full, or nothing of it."""
    taken, _ = undo(desk_of(request, later, act.by), act.act)
    return done(taken)
