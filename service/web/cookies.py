"""Session cookies: signed by this installation, for no script and no other site."""

from __future__ import annotations

import hashlib
import secrets
from pathlib import Path

from fastapi import Request, Response
from itsdangerous import BadSignature, Signer

from service.errors import StoreError
from service.records.accounts import SESSION
from service.records.photo_files import write_synced

COOKIE = "combwright"


def signer_of(home: Path) -> Signer:
    """Return what signs session cookies, with a key of this installation's own.

    Raises StoreError if that can't be kept.
    """
    path = home / "session.key"
    try:
        if not path.exists():
            home.mkdir(parents=True, exist_ok=True, mode=0o700)
            write_synced(path, secrets.token_hex(32).encode())
        key = path.read_text(encoding="ascii").strip()
    except (OSError, ValueError) as error:
        raise StoreError("home_unwritable", reason=str(error)) from None
    return Signer(key, salt="combwright session", digest_method=hashlib.sha256)


def token_in(signer: Signer, cookie: str) -> str | None:
    """Return the session token of a cookie that we signed, None for any other."""
    try:
        return signer.unsign(cookie.encode("utf-8", "surrogatepass")).decode("ascii")
    except (BadSignature, UnicodeDecodeError):
        return None


def set_session(answer: Response, request: Request, signer: Signer, token: str) -> None:
    """Let an answer set the cookie of a session."""
    answer.set_cookie(
        COOKIE,
        signer.sign(token).decode(),
        max_age=int(SESSION.total_seconds()),
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
    )
