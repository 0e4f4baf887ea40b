"""Rendering of templates, and the state that requests share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader
from sqlalchemy.orm import Session

from classifier.words import COMBS
from genetics.genotype import NAMES
from service.report import PILE_TITLES, environment

if TYPE_CHECKING:
    from classifier.reader import Reader
    from service.settings import Settings
    from service.store.database import Store


def templates() -> Environment:
    """The report's environment with the web templates."""
    env = environment()
    env.loader = PackageLoader("service", "web/templates")
    env.globals.update(combs=COMBS, genotypes=NAMES, pile_titles=PILE_TITLES)
    return env


TEMPLATES = templates()


def page(request: Request, name: str, status: int = 200, **values: Any) -> HTMLResponse:
    """A rendered page."""
    text = TEMPLATES.get_template(name).render(path=request.url.path, **values)
    return HTMLResponse(text, status_code=status)


def session_of(request: Request) -> Iterator[Session]:
    """One session a request, which sees one state of the records and changes nothing."""
    with store_of(request).reading() as session:
        yield session


Records = Annotated[Session, Depends(session_of, scope="function")]


def store_of(request: Request) -> Store:
    """The store."""
    store: Store = request.app.state.store
    return store


def settings_of(request: Request) -> Settings:
    """The installation's settings."""
    settings: Settings = request.app.state.settings
    return settings


def reader_of(request: Request) -> Reader:
    """The reader."""
    reader: Reader = request.app.state.reader
    return reader
