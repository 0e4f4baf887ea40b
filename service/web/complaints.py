"""Errors as pages, or as JSON under /api."""

from __future__ import annotations

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from classifier.errors import ClassifierError
from genetics.errors import GeneticsError
from service.errors import ListProblems, NotFound, ServiceError, Throttled, UsageMistake, status_of
from service.web.pages import page
from service.wording.sentences import Coded, as_data, say

MOST_TOLD = 100  # mistakes of one list


def complaint(request: Request, status: int, error: Coded) -> Response:
    """Return an error for people, or with its code for programs under /api."""
    if request.url.path.startswith("/api/"):
        content = {"error": say(error), **as_data(error)}
        if isinstance(error, ListProblems):
            content["problems"] = [say(problem) for problem in error.problems[:MOST_TOLD]]
        return JSONResponse(content, status_code=status)
    return page(request, "error.html", status=status, message=say(error))


def complain(request: Request, error: GeneticsError | ClassifierError | ServiceError) -> Response:
    """Return an expected error with its status."""
    answer = complaint(request, status_of(error), error)
    if isinstance(error, Throttled):
        answer.headers["Retry-After"] = str(error.values["seconds"])
    return answer


def answer_errors(app: FastAPI) -> None:
    """Let every expected error end as a page or as JSON that says what to do."""

    async def expected(request: Request, error: Exception) -> Response:
        """Return an error of ours."""
        assert isinstance(error, GeneticsError | ClassifierError | ServiceError)
        return complain(request, error)

    async def of_http(request: Request, error: Exception) -> Response:
        """Return a page that isn't there, or a way of asking that it doesn't know."""
        assert isinstance(error, HTTPException)
        if isinstance(error.__cause__, ServiceError):  # met while the body came
            return complain(request, error.__cause__)
        if error.status_code == 404:
            return complaint(request, 404, NotFound("no_such_page"))
        if error.status_code == 400:
            return complaint(request, 400, UsageMistake("body_unreadable"))
        answer = complaint(request, error.status_code, UsageMistake("not_allowed"))
        answer.headers.update(error.headers or {})
        return answer

    async def unfit(request: Request, error: Exception) -> Response:
        """Return a form or query whose fields can't be read."""
        assert isinstance(error, RequestValidationError)
        field = str(error.errors()[0]["loc"][-1])
        return complaint(request, 422, UsageMistake("form_field", field=field))

    for kind in (GeneticsError, ClassifierError, ServiceError):
        app.add_exception_handler(kind, expected)
    app.add_exception_handler(HTTPException, of_http)
    app.add_exception_handler(RequestValidationError, unfit)
