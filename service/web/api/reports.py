"""Requests: reports that are made beside the others, however large the flock."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated

from fastapi import BackgroundTasks, Response
from fastapi import Path as InPath
from fastapi import Request as Asked
from pydantic import BaseModel, Field

from service.actions.reports import SHEETS, ask_for, asked_for, asked_report, finished
from service.records.limits import MOST_INTEGER
from service.records.tables import ReportRow
from service.shapes.base import Sentence
from service.web.api.answers import part
from service.web.api.models import example, one_of
from service.web.pages import Records, desk_of, store_of
from service.web.reports import as_file
from service.wording.sentences import from_data, with_sentence

router = part()
Number = Annotated[
    int, InPath(ge=1, le=MOST_INTEGER, description="A report's number.", examples=[1])
]


class Wish(BaseModel):
    """Which report is asked for."""

    model_config = example(name="flock.csv", by="Ada")

    name: str = Field(json_schema_extra=one_of(*SHEETS))
    hatch: int | None = Field(
        None, ge=1, le=MOST_INTEGER, description="The hatch, where the report tells of one."
    )
    by: str = Field("", max_length=80)


class Report(BaseModel):
    """A report that was asked for."""

    number: int
    name: str = Field(description="As its file is called.")
    hatch: int | None
    on: date = Field(description="The day for which it holds.")
    asked: datetime
    by: str
    made: datetime | None = Field(description="Empty while it waits, or if it can't be made.")
    bytes: int
    trouble: Sentence | None = Field(description="Why it can't be made.")


def told(row: ReportRow) -> Report:
    """Return a report for programs."""
    trouble = from_data(row.trouble)
    return Report(
        number=row.id,
        name=row.name,
        hatch=row.hatch_id,
        on=row.on,
        asked=row.asked,
        by=row.by,
        made=row.made,
        bytes=row.size,
        trouble=Sentence(**with_sentence(trouble)) if trouble is not None else None,
    )


@router.post("/reports", tags=["flock"], status_code=202)
def ask(request: Asked, later: BackgroundTasks, wish: Wish) -> Report:
    """Ask for a report; it is made beside other requests. One that still waits is given again."""
    number = ask_for(desk_of(request, later, wish.by), wish.name, wish.hatch)
    with store_of(request).reading() as session:
        return told(asked_report(session, number))


@router.get("/reports", tags=["flock"])
def reports(records: Records) -> list[Report]:
    """Return the reports that were asked for and are kept, the newest first."""
    return [told(row) for row in asked_for(records)]


@router.get("/reports/{number}", tags=["flock"])
def one(records: Records, number: Number) -> Report:
    """Return whether a report is made."""
    return told(asked_report(records, number))


@router.get(
    "/reports/{number}/file",
    tags=["flock"],
    response_class=Response,
    responses={
        200: {
            "description": "The report's file.",
            "content": {
                sheet.media.split(";")[0]: {"schema": {"type": "string", "format": "binary"}}
                for sheet in SHEETS.values()
            },
        }
    },
)
def file(records: Records, number: Number) -> Response:
    """Send a report that is made."""
    row, content = finished(records, number)
    return as_file(row.name, content)
