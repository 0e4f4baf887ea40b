"""Requests: readers that learn from the flock, and which one reads."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Path as InPath
from fastapi import Request as Asked
from pydantic import BaseModel, Field

from service.actions.readers import all_readers, take_reader
from service.shapes.base import Sentence
from service.shapes.records import Learned
from service.web.api.answers import done, part
from service.web.api.models import Done, example
from service.web.learning import run_of
from service.web.pages import desk_of, readers_of, settings_of, store_of
from service.wording.sentences import from_data, with_sentence

router = part()
Name = Annotated[str, InPath(description="A reader's name, or `shipped`.", examples=["shipped"])]


class Learning(BaseModel):
    """How far learning has come."""

    running: bool
    share: float = Field(description="Done of it, 0 to 1.")
    name: str = Field(description="Of what was learned last; empty if nothing was.")
    trouble: Sentence | None = Field(description="Why nothing came of it.")


class Asking(BaseModel):
    """Who asks."""

    model_config = example(by="Ann")

    by: str = Field("", max_length=80)


@router.get("/readers", tags=["records"], response_model=list[Learned])
def readers(request: Asked) -> list[dict[str, Any]]:
    """Return the readers that learned from the flock with their trials, the newest first."""
    return [
        {**one, "against": [with_sentence(from_data(reason)) for reason in one["against"]]}
        for one in all_readers(store_of(request))
    ]


@router.post("/readers/learning", tags=["records"], status_code=202)
def learn(request: Asked, asking: Asking) -> Learning:
    """Let the reader learn from the confirmed birds; it goes on beside other requests."""
    desk = desk_of(request, None, asking.by)
    run_of(request).begin(desk, settings_of(request), readers_of(request).shipped)
    return progress(request)


@router.get("/readers/learning", tags=["records"])
def progress(request: Asked) -> Learning:
    """Return how far learning has come."""
    now = run_of(request).progress
    trouble = Sentence(**with_sentence(now.trouble)) if now.trouble else None
    return Learning(running=now.running, share=round(now.share, 4), name=now.name, trouble=trouble)


@router.delete("/readers/learning", tags=["records"])
def stop(request: Asked) -> Learning:
    """Stop learning at the next step."""
    run_of(request).stop()
    return progress(request)


@router.post("/readers/{name}/use", tags=["records"])
def use(request: Asked, name: Name, asking: Asking) -> Done:
    """Let a reader that learned read from now on, or the shipped one; what was read stays."""
    desk = desk_of(request, None, asking.by)
    return done(take_reader(desk, name, readers_of(request).base))
