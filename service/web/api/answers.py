"""What several requests share."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from fastapi import Path as InPath

from service.actions.desk import Act as Performed
from service.shapes.base import Sentence
from service.web.api.models import PROBLEMS, Done
from service.wording.sentences import with_sentence

Band = Annotated[str, InPath(description="The bird's band.", examples=["17"])]


def part() -> APIRouter:
    """Return a router for some of the requests."""
    return APIRouter(prefix="/api/v1", responses=PROBLEMS)


def done(act: Performed) -> Done:
    """Return an act for programs."""
    return Done(act=act.name, said=Sentence(**with_sentence(act.said)), birds=list(act.bands))
