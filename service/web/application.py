"""The application: state, routers, static files, error pages."""

from __future__ import annotations

import logging
import threading
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from service import clock
from service.answers.queue import catch_up as sort_the_rest
from service.answers.refresh import refresh
from service.installation import open_store
from service.model import default_reader
from service.records.database import Store, StoreError
from service.records.intake.journal import tidy, told_sweep
from service.records.intake.read_pending import unread
from service.settings import Settings, from_environment
from service.web import about, api, birds, flock, matings, opinions, photos, sort, today, walk
from service.web.pages import page

if TYPE_CHECKING:
    from classifier.reader import Reader

HERE = Path(__file__).parent


def catch_up(store: Store, reader: Reader) -> None:
    """Read photos that a crash left unread, and work out what changed since the last time."""
    try:
        unread(store, reader)
        sort_the_rest(store)
        # What may lie behind a conflict is weighed when its bird is looked at.
        refresh(store, reader.card.prior, clock.today(), culprits=())
    except StoreError as error:
        logging.getLogger(__name__).warning("not caught up: %s", error)


def complaint(request: Request, status: int, message: str) -> Response:
    """An error for people, or for programs under /api."""
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": message}, status_code=status)
    return page(request, "error.html", status=status, message=message)


def create(settings: Settings | None = None, weights: Path | None = None) -> FastAPI:
    """The application on a store; the reader is loaded at once, so that errors show early."""
    chosen = settings or from_environment()
    chosen.home.mkdir(parents=True, exist_ok=True)
    app = FastAPI(
        title="Combwright",
        version=version("combwright"),
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
    )
    app.state.settings = chosen
    app.state.store = open_store(chosen)
    app.state.reader = default_reader(weights)
    for line in told_sweep(app.state.store, tidy(app.state.store)):
        logging.getLogger(__name__).warning("%s", line)
    threading.Thread(target=catch_up, args=(app.state.store, app.state.reader), daemon=True).start()
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    for part in (today, walk, sort, photos, opinions, birds, matings, flock, about):
        app.include_router(part.router, include_in_schema=False)
    app.include_router(api.router)

    @app.get("/worker.js", include_in_schema=False)
    def worker() -> FileResponse:
        """The script that keeps pages for where there is no net; it must lie at the top."""
        return FileResponse(HERE / "static" / "worker.js", media_type="text/javascript")

    @app.exception_handler(HTTPException)
    async def told(request: Request, error: HTTPException) -> Response:
        """Errors as a page that says what to do, or as JSON for programs."""
        return complaint(request, error.status_code, str(error.detail))

    @app.exception_handler(RequestValidationError)
    async def unfit(request: Request, error: RequestValidationError) -> Response:
        """A form or query that doesn't fit, in words."""
        first = error.errors()[0]
        return complaint(request, 422, f"{first['loc'][-1]}: {first['msg']}")

    @app.exception_handler(StoreError)
    async def out_of_order(request: Request, error: StoreError) -> Response:
        """A store that is full, locked or damaged, in words."""
        return complaint(request, 503, str(error))

    @app.middleware("http")
    async def guard(request: Request, call_next: object) -> Response:
        """No page may be framed or load anything from elsewhere; forms come from here alone."""
        origin = request.headers.get("origin")
        if request.method == "POST" and origin and origin != "null":
            host = origin.split("://", 1)[-1]
            if host != request.headers.get("host"):
                return HTMLResponse("forms must be sent from this page", status_code=403)
        response: Response = await call_next(request)  # type: ignore[operator]
        response.headers["Content-Security-Policy"] = (
            "default-src 'self'; img-src 'self' blob:; frame-ancestors 'none'; form-action 'self'"
        )
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "same-origin"
        return response

    return app
