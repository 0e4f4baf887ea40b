"""The path that the pages are served under, `/comb` say, where a proxy has more than one thing."""

from __future__ import annotations

import re
from contextvars import ContextVar

from jinja2.ext import Extension
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LEADS_TO = ("location", "link", "set-cookie")

_root: ContextVar[str] = ContextVar("root", default="")


class Root:
    """The root of the present request, as templates write it."""

    def __str__(self) -> str:
        return _root.get()

    __html__ = __str__  # only letters that need no escaping, see `door.root_path`


class Rooted(Extension):
    """Addresses in templates are written as at a host's top; each gets the root before it."""

    OURS = re.compile(r'\b(href|src|action|formaction|data-[a-z]+)="(?=/)')

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:
        """Return a template's text with the root in its attributes."""
        return self.OURS.sub(r"\g<0>{{ root }}", source)


def rooted(name: str, value: str, root: str) -> str:
    """Return an answer's header with addresses of ours below the root.

    >>> rooted("location", "/birds", "/comb"), rooted("location", "/comb/walk", "/comb")
    ('/comb/birds', '/comb/walk')
    """
    if name == "location":
        there = value.startswith("/") and not f"{value}/".startswith(f"{root}/")
        return f"{root}{value}" if there else value
    if name == "link":
        return value.replace("</", f"<{root}/")
    return re.sub(r"\bPath=/(?=;|$)", f"Path={root}", value)


class Under:
    """Middleware: within, all paths are as at a host's top, whether or not a proxy cut the root."""

    def __init__(self, app: ASGIApp, root: str) -> None:
        self.app, self.root = app, root

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http" or not self.root:
            await self.app(scope, receive, send)
            return
        if f"{scope['path']}/".startswith(f"{self.root}/"):
            path = scope["path"].removeprefix(self.root) or "/"
            scope = {**scope, "path": path, "raw_path": path.encode()}
        _root.set(self.root)

        async def led(message: Message) -> None:
            """Let an answer lead to where the pages are."""
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                message["headers"] = [
                    (k, rooted(k.decode(), v.decode("latin-1"), self.root).encode("latin-1"))
                    if k.decode() in LEADS_TO
                    else (k, v)
                    for k, v in headers.raw
                ]
            await send(message)

        await self.app(scope, receive, led)
