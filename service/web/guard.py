"""What stands before every request: whose it is, from where, how large; and what every answer says.

Outermost of all, so that its headers are on errors as well, and nothing unexpected gets past it.
"""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from itsdangerous import Signer
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.types import Message as Sent

from service.actions import access
from service.actions.door import Door
from service.errors import NotAllowed, NotSignedIn, ServiceError, StoreError, TooLarge
from service.records.accounts import Visitor
from service.records.database import Store
from service.web.access_table import ANYONE, READING, most_bytes, role_for
from service.web.body import Body
from service.web.complaints import complain, complaint
from service.web.cookies import COOKIE, set_session, token_in
from service.web.pages import quote_path
from service.wording.language import choose_language, speak
from service.wording.sentences import Message

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self'; script-src 'self' 'wasm-unsafe-eval'; img-src 'self' blob:; "
        "base-uri 'none'; object-src 'none'; "
        "frame-ancestors 'none'; form-action 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    # With the opener policy: what a page needs to read photos with several threads.
    "Cross-Origin-Embedder-Policy": "require-corp",
}
AT_THE_MACHINE = Visitor("", "own")
STATIC = "/static/"


class Guard:
    """Middleware: lets in whom it may concern."""

    def __init__(
        self,
        app: ASGIApp,
        door: Door,
        store: Callable[[], Store],
        signer: Signer,
        most_upload: int,
    ) -> None:
        self.app, self.door, self.store = app, door, store
        self.signer, self.most_upload = signer, most_upload
        self.anonymous = None if door.accounts else AT_THE_MACHINE

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        accepted = request.headers.get("accept-language", "")
        speak(choose_language(request.cookies, accepted), accepted)
        most = most_bytes(request.method, request.url.path, self.most_upload)
        renewed: list[str] = []
        begun: list[int] = []

        async def dressed(message: Sent) -> None:
            """Put our headers on the beginning of an answer."""
            if message["type"] == "http.response.start":
                begun.append(message["status"])
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if not request.url.path.startswith(STATIC):
                    headers.setdefault("Cache-Control", "no-store")
                if renewed:
                    headers.append("Set-Cookie", self.cookie(request, renewed[0]))
            await send(message)

        try:
            refusal = await self.refuse(request, most, renewed)
            if refusal is not None:
                await refusal(scope, receive, dressed)
            else:
                await self.app(scope, Body(receive, most), dressed)
        except Exception as error:
            if begun:
                raise
            answer = unexpected(request, error)
            await answer(scope, receive, dressed)

    async def refuse(self, request: Request, most: int, renewed: list[str]) -> Response | None:
        """Return why a request isn't let in, or None; its visitor is noted in its state."""
        request.state.visitor = self.anonymous
        try:
            check_origin(request)
            length = request.headers.get("content-length", "0")
            if length.isdecimal() and int(length) > most:
                raise TooLarge("body_too_large", most=most)
            if request.url.path.startswith(STATIC):
                return None  # the same for everybody: no session is looked up
            visitor = await self.visitor(request, renewed)
            request.state.visitor = visitor
            role = role_for(request.method, request.url.path)
            if role == ANYONE:
                return None
            if visitor is None:
                if request.method == "GET" and not request.url.path.startswith("/api/"):
                    there = quote_path(request.url.path)
                    return RedirectResponse(f"/sign-in?back={there}", status_code=303)
                raise NotSignedIn("not_signed_in")
            if not visitor.may(role):
                raise NotAllowed(
                    "role_too_small",
                    role=Message(f"may_{visitor.role}"),
                    needed=Message(f"may_{role}"),
                )
        except ServiceError as error:
            answer = complain(request, error)
            answer.headers["Connection"] = "close"  # what is left of a body isn't waited for
            return answer
        return None

    async def visitor(self, request: Request, renewed: list[str]) -> Visitor | None:
        """Return who asks; None for somebody from elsewhere without an account."""
        cookie = request.cookies.get(COOKIE)
        token = token_in(self.signer, cookie) if cookie else None
        if token is None:
            return self.anonymous
        found = await run_in_threadpool(access.visitor_of, self.store(), token)
        if found is None:
            return self.anonymous
        visitor, due = found
        request.state.token = token
        if due and not self.store().look_only:
            new = await run_in_threadpool(access.renew, self.store(), token)
            if new is not None:
                renewed.append(new)
        return visitor

    def cookie(self, request: Request, token: str) -> str:
        """Return the header that sets a session's cookie."""
        answer = Response()
        set_session(answer, request, self.signer, token)
        return answer.headers["set-cookie"]


def check_origin(request: Request) -> None:
    """Refuse a write that another page sends in a visitor's name. Raises NotAllowed."""
    if request.method in READING:
        return
    origin, site = request.headers.get("origin"), request.headers.get("sec-fetch-site")
    host = request.headers.get("host", "")
    if origin is not None and (origin == "null" or origin.split("://", 1)[-1] != host):
        raise NotAllowed("foreign_form")
    if site in ("cross-site", "same-site"):
        raise NotAllowed("foreign_form")


def unexpected(request: Request, error: Exception) -> Response:
    """Return what nobody foresaw in one line, with the number under which the log has the rest."""
    number = secrets.token_hex(3).upper()
    logging.getLogger(__name__).error(
        "unexpected, number %s: %s %s", number, request.method, request.url.path, exc_info=error
    )
    said = StoreError("unexpected", number=number)
    return complaint(request, 500, said)
