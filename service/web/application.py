"""The application: state, routers, static files, error pages."""

from __future__ import annotations

import logging
import re
import threading
from importlib.metadata import version
from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import FileResponse, JSONResponse
from fastapi.routing import APIRoute
from sqlalchemy import text
from starlette.middleware.trustedhost import TrustedHostMiddleware

from service.actions.access import owned
from service.actions.door import Door
from service.actions.jobs import Bench, Jobs, JobsHere
from service.actions.kept_jobs import KeptJobs, KeptLearning
from service.actions.learning_run import LearningRun
from service.actions.readers import ReaderInUse
from service.actions.rounds import go_round, look_after
from service.errors import UsageMistake
from service.installation import open_store
from service.records.intake.journal import describe_sweep, tidy
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
    reports,
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
    reports,
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


def operation_id(route: APIRoute) -> str:
    """Return the name of an operation for programs: it follows from method and address alone."""
    words = re.findall(r"[a-z0-9]+", route.path.removeprefix("/api/v1").lower())
    return "_".join([min(route.methods or {"GET"}).lower(), *words])


def begin_background(app: FastAPI, apart: bool) -> None:
    """Let what takes long be done by threads of this process, or by workers apart from it."""
    store, readers = app.state.store, app.state.readers
    if apart:
        kept = KeptJobs(app.state.settings)
        app.state.jobs, app.state.learning = kept, KeptLearning(kept, store)
        rounds = threading.Thread(target=look_after, args=(readers,), daemon=True)
    else:
        jobs: Jobs = JobsHere(Bench(store, app.state.settings, readers))
        app.state.jobs, app.state.learning = jobs, LearningRun()
        rounds = threading.Thread(target=go_round, args=(store, readers), daemon=True)
    rounds.start()


def create(
    settings: Settings | None = None,
    weights: Path | None = None,
    door: Door | None = None,
    apart: bool = False,
) -> FastAPI:
    """Return the application on a store; without a door only for the machine itself.

    The reader is loaded at once, so that errors show early. What takes long is done in threads of
    this process, or `apart`, by `combwright work`.
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
    begin_background(app, apart)
    for line in describe_sweep(app.state.store, tidy(app.state.store)):
        logging.getLogger(__name__).warning("%s", line)
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
