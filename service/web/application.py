"""The application: state, routers, static files, error pages."""

from __future__ import annotations

import logging
import re
import threading
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import FileResponse, JSONResponse
from fastapi.routing import APIRoute
from sqlalchemy import text
from starlette.middleware.trustedhost import TrustedHostMiddleware

from service import clock
from service.actions.access import owned
from service.actions.desk import Desk
from service.actions.door import Door
from service.actions.keeping import back_up_today
from service.actions.learning_run import LearningRun
from service.actions.readers import ReaderInUse
from service.answers.queue import catch_up as sort_the_rest
from service.answers.refresh import refresh
from service.errors import StoreError, UsageMistake
from service.installation import open_store
from service.records.database import Store
from service.records.intake.journal import describe_sweep, tidy
from service.records.intake.read_pending import read_pending
from service.settings import Settings, from_environment
from service.web import (
    about,
    accounts,
    api,
    assign,
    bird_list,
    birds,
    corrections,
    flock,
    keeping,
    learning,
    lists,
    matings,
    opinions,
    photos,
    plans,
    pocket,
    sort,
    today,
    trust,
    walk,
)
from service.web.complaints import answer_errors
from service.web.cookies import signer_of
from service.web.guard import Guard
from service.web.root import Under
from service.web.static_files import Static

PARTS = (
    today,
    walk,
    pocket,
    sort,
    assign,
    photos,
    lists,
    bird_list,
    corrections,
    plans,
    opinions,
    birds,
    matings,
    flock,
    about,
    learning,
    accounts,
    trust,
    keeping,
)
HERE = Path(__file__).parent
HOUR = 3600.0


def catch_up(store: Store, readers: ReaderInUse) -> None:
    """Read photos that a crash left unread, and work out what changed since the last time."""
    try:
        reader = readers()
        back_up_today(Desk(store, reader.card.prior, "", clock.today()))
        read_pending(store, reader)
        sort_the_rest(store)
        refresh(store, reader.card.prior, clock.today())
        readers.look_after()
    except StoreError as error:
        logging.getLogger(__name__).warning("not caught up: %s", error)


def go_round(store: Store, readers: ReaderInUse) -> None:
    """Catch up at once; then, as long as the pages are served, back up on each new day."""
    if store.look_only:
        return
    unbroken(lambda: catch_up(store, readers))
    while True:
        time.sleep(HOUR)
        unbroken(readers.look_after)
        unbroken(lambda: back_up_today(Desk(store, readers.shipped.card.prior, "", clock.today())))


def unbroken(work: Callable[[], object]) -> None:
    """Do some work of the background; whatever goes wrong is logged, and the next round comes."""
    try:
        work()
    except Exception:
        logging.getLogger(__name__).exception("the background's work broke off")


def operation_id(route: APIRoute) -> str:
    """Return the name of an operation for programs: it follows from method and address alone."""
    words = re.findall(r"[a-z0-9]+", route.path.removeprefix("/api/v1").lower())
    return "_".join([min(route.methods or {"GET"}).lower(), *words])


def create(
    settings: Settings | None = None, weights: Path | None = None, door: Door | None = None
) -> FastAPI:
    """Return the application on a store; without a door only for the machine itself.

    The reader is loaded at once, so that errors show early.
    """
    given, door = settings or from_environment(), door or Door()
    app = FastAPI(
        title="Combwright",
        servers=[{"url": door.root}] if door.root else None,
        version=version("combwright"),
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
        generate_unique_id_function=operation_id,
    )
    app.state.settings, app.state.door = given, door
    app.state.store = open_store(given)
    app.state.signer = signer_of(given.home)
    if door.accounts and not owned(app.state.store):
        raise UsageMistake("no_owner_yet")
    app.state.readers = ReaderInUse(app.state.store, weights)
    app.state.learning = LearningRun()
    for line in describe_sweep(app.state.store, tidy(app.state.store)):
        logging.getLogger(__name__).warning("%s", line)
    rounds = threading.Thread(target=go_round, args=(app.state.store, app.state.readers))
    rounds.daemon = True
    rounds.start()
    app.mount("/static", Static(HERE / "static"), name="static")
    for part in PARTS:
        app.include_router(part.router, include_in_schema=False)
    for part in api.PARTS:
        app.include_router(part.router)
    answer_errors(app)

    @app.get("/worker.js", include_in_schema=False)
    def worker() -> FileResponse:
        """Send the script that keeps pages for where there is no net; it must lie at the top."""
        return FileResponse(HERE / "static" / "worker.js", media_type="text/javascript")

    @app.get("/health", include_in_schema=False)
    def health() -> JSONResponse:
        """Say whether the records can be read, for whoever watches over the server."""
        with app.state.store.reading() as session:
            session.execute(text("SELECT 1"))
        return JSONResponse({"status": "ok"})

    app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(door.hosts), www_redirect=False)
    app.add_middleware(
        Guard,
        door=door,
        store=lambda: app.state.store,
        signer=app.state.signer,
        most_upload=given.most_upload,
    )
    app.add_middleware(Under, root=door.root)
    return app
