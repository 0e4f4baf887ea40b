"""A flock list from a file to the records: chosen, looked over, taken in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated
from urllib.parse import parse_qsl, urlencode

from fastapi import APIRouter, BackgroundTasks, File, Form, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from genetics.errors import GeneticsError
from service.actions.lists import TURN, import_list, preview_list
from service.errors import ServiceError, UsageMistake, status_of
from service.records.exchange.importing import MOST_LIST, sheet_of
from service.records.exchange.kept_lists import forget_list, keep_list, kept_list
from service.records.exchange.mapping import Choices, guess_columns
from service.records.exchange.sheet import Sheet
from service.records.exchange.words import headings
from service.records.intake.sources import printable
from service.web.pages import desk_of, gone_to, page, settings_of, store_of
from service.wording.sentences import say

router = APIRouter(prefix="/lists")
SHOWN, MOST_TOLD = 40, 100  # birds and mistakes that the preview shows
LONGEST_NAME = 200
COLUMN = "column-"  # a field for each column, by its place


@router.get("")
def choose(request: Request) -> HTMLResponse:
    """Choose a file."""
    return page(request, "list_choose.html", problem="")


@router.post("")
def bring(request: Request, file: Annotated[UploadFile, File()]) -> Response:
    """Keep a list for a look at it; nothing of it is in the records yet."""
    data = file.file.read(MOST_LIST + 1)
    name = printable(file.filename or "flock.csv")[-LONGEST_NAME:]
    try:
        with TURN:
            sheet_of(data, name)
    except (ServiceError, GeneticsError) as error:
        return page(request, "list_choose.html", status=status_of(error), problem=say(error))
    token = keep_list(settings_of(request).home, data, name)
    return RedirectResponse(f"/lists/{token}", status_code=303)


def choices_of(sheet: Sheet, asked: Mapping[str, str]) -> Choices:
    """Return how a list is to be taken by a form's fields; without any, as it is guessed."""
    columns = guess_columns(sheet.headings)
    if "asked" in asked:
        columns = {}
        for place, heading in enumerate(sheet.headings):
            ours = asked.get(f"{COLUMN}{place}", "")
            if ours and ours not in headings():
                raise UsageMistake("form_field", field=heading)
            if ours and heading:
                columns[heading] = ours
    return Choices(
        columns,
        asked.get("dates", ""),
        asked.get("pens", ""),
        asked.get("hatches", "") == "yes",
        asked.get("parents", "") == "yes",
    )


@router.get("/{token}")
def look_over(request: Request, token: str) -> HTMLResponse:
    """Show what a list would bring, by the columns chosen, and all that is wrong with it."""
    with TURN:
        return looked_over(request, token)


def looked_over(request: Request, token: str) -> HTMLResponse:
    """Return the page of a kept list while no other list is in memory."""
    data, name = kept_list(settings_of(request).home, token)
    sheet = sheet_of(data, name)
    asked = dict(request.query_params)
    choices = choices_of(sheet, asked)
    problem, preview = "", None
    try:
        preview = preview_list(store_of(request), sheet, choices)
    except (ServiceError, GeneticsError) as error:
        problem = say(error)
    return page(
        request,
        "list_preview.html",
        token=token,
        sheet=sheet,
        choices=choices,
        columns=list(headings()),
        samples=[samples_of(sheet, place) for place in range(len(sheet.headings))],
        preview=preview,
        problem=problem,
        problems=[say(p) for p in (preview.problems if preview else ())[:MOST_TOLD]],
        shown=SHOWN,
        asked=urlencode({k: v for k, v in asked.items() if k != "did"}),
    )


def samples_of(sheet: Sheet, place: int) -> list[str]:
    """Return some different cells of a column."""
    cells = [row[place] for _, row in sheet.body[:200] if place < len(row)]
    return list(dict.fromkeys(filter(None, cells)))[:4]


@router.post("/{token}")
def take_in(
    request: Request,
    later: BackgroundTasks,
    token: str,
    choices: Annotated[str, Form(max_length=20_000)] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Take a list in as it was looked over, all of it or nothing.

    `choices` are the fields of the look-over, as its address holds them.
    """
    home = settings_of(request).home
    data, name = kept_list(home, token)
    asked = dict(parse_qsl(choices))
    with TURN:
        taken = choices_of(sheet_of(data, name), asked)
    act, _ = import_list(desk_of(request, later, by), data, name, taken)
    forget_list(home, token)
    return gone_to(request, "/birds", act.name, by)
