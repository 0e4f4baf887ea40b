"""Scripts, styles and pictures of the pages; what is text goes compressed."""

from __future__ import annotations

from pathlib import Path

from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Receive, Scope, Send

TEXT = (".js", ".mjs", ".css", ".svg", ".webmanifest")
LEAST = 1000  # bytes; less isn't worth it


class Static:
    """Files of a folder."""

    def __init__(self, folder: Path) -> None:
        self.plain: ASGIApp = StaticFiles(directory=folder)
        self.packed: ASGIApp = GZipMiddleware(self.plain, minimum_size=LEAST)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        text = scope["path"].endswith(TEXT)
        await (self.packed if text else self.plain)(scope, receive, send)
