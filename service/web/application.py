"""The application: state, routers, static files, error pages."""

from __future__ import annotations

import logging
import threading
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from classifier.errors import ClassifierError
from genetics.errors import GeneticsError
from service import clock
from service.answers.queue import catch_up as sort_the_rest
from service.answers.refresh import refresh
from service.errors import NotFound, ServiceError, StoreError, UsageMistake, status_of
from service.installation import open_store
from service.model import default_reader
from service.records.database import Store
from service.records.intake.journal import describe_sweep, tidy
from service.records.intake.read_pending import read_pending
from service.settings import Settings, from_environment
from service.web import about, api, birds, flock, matings, opinions, photos, sort, today, walk
from service.web.pages import page
from service.wording.language import choose_language, speak
from service.wording.sentences import Coded, as_data, say

if TYPE_CHECKING:
    from classifier.reader import Reader

HERE = Path(__file__).parent


def catch_up(store: Store, reader: Reader) -> None:
    """Read photos that a crash left unread, and work out what changed since the last time."""
    try:
        read_pending(store, reader)
        sort_the_rest(store)
        refresh(store, reader.card.prior, clock.today())
    except StoreError as error:
        logging.getLogger(__name__).warning("not caught up: %s", error)


def complaint(request: Request, status: int, error: Coded) -> Response:
    """Return an error for people, or with its code for programs under /api."""
    if request.url.path.startswith("/api/"):
        content = {"error": say(error), **as_data(error)}
        return JSONResponse(content, status_code=status)
    return page(request, "error.html", status=status, message=say(error))


def answer_errors(app: FastAPI) -> None:
    """Let every expected error end as a page or as JSON that says what to do."""

    async def expected(request: Request, error: Exception) -> Response:
        """Return an error of ours."""
        assert isinstance(error, GeneticsError | ClassifierError | ServiceError)
        return complaint(request, status_of(error), error)

    async def of_http(request: Request, error: Exception) -> Response:
        """Return a page that isn't there, or a way of asking that it doesn't know."""
        assert isinstance(error, HTTPException)
        known = NotFound("no_such_page") if error.status_code == 404 else None
        return complaint(request, error.status_code, known or UsageMistake("not_allowed"))

    async def unfit(request: Request, error: Exception) -> Response:
        """Return a form or query whose fields can't be read."""
        assert isinstance(error, RequestValidationError)
        field = str(error.errors()[0]["loc"][-1])
        return complaint(request, 422, UsageMistake("form_field", field=field))

    for kind in (GeneticsError, ClassifierError, ServiceError):
        app.add_exception_handler(kind, expected)
    app.add_exception_handler(HTTPException, of_http)
    app.add_exception_handler(RequestValidationError, unfit)


def create(settings: Settings | None = None, weights: Path | None = None) -> FastAPI:
    """Return the application on a store.

    The reader is loaded at once, so that errors show early.
    """
    given = settings or from_environment()
    given.home.mkdir(parents=True, exist_ok=True)
    app = FastAPI(
        title="Combwright",
        version=version("combwright"),
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
    )
    app.state.settings = given
    app.state.store = open_store(given)
    app.state.reader = default_reader(weights)
    for line in describe_sweep(app.state.store, tidy(app.state.store)):
        logging.getLogger(__name__).warning("%s", line)
    threading.Thread(target=catch_up, args=(app.state.store, app.state.reader), daemon=True).start()
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    for part in (today, walk, sort, photos, opinions, birds, matings, flock, about):
        app.include_router(part.router, include_in_schema=False)
    app.include_router(api.router)
    answer_errors(app)

    @app.get("/worker.js", include_in_schema=False)
    def worker() -> FileResponse:
        """Send the script that keeps pages for where there is no net; it must lie at the top."""
        return FileResponse(HERE / "static" / "worker.js", media_type="text/javascript")

    @app.middleware("http")
    async def guard(request: Request, call_next: object) -> Response:
        """Speak the visitor's language; nothing is framed or loaded from elsewhere."""
        speak(choose_language(request.cookies, request.headers.get("accept-language", "")))
        origin = request.headers.get("origin")
        response: Response
        foreign = origin and origin != "null" and origin.split("://", 1)[-1] != host_of(request)
        if request.method == "POST" and foreign:
            response = complaint(request, 403, UsageMistake("foreign_form"))
        else:
            response = await call_next(request)  # type: ignore[operator]
        response.headers["Content-Security-Policy"] = (
            "default-src 'self'; img-src 'self' blob:; frame-ancestors 'none'; form-action 'self'"
        )
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "same-origin"
        return response

    return app


def host_of(request: Request) -> str:
    """Return the host that was asked, with its port."""
    return request.headers.get("host", "")
