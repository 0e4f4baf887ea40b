"""Requests: begin and end a session."""

from __future__ import annotations

from fastapi import Request as Asked
from fastapi import Response

from service.actions import access
from service.errors import NotSignedIn
from service.web.accounts import signed_out, visitor_of
from service.web.api.answers import part
from service.web.api.models import (
    SignIn,
    WhoAmI,
)
from service.web.cookies import set_session
from service.web.pages import store_of

router = part()


@router.post("/session", tags=["access"])
def sign_in(request: Asked, answer: Response, who: SignIn) -> WhoAmI:
    """Begin a session: its cookie comes with the answer."""
    store = store_of(request)
    address = request.client.host if request.client else ""
    token = access.sign_in(store, who.name, who.password, address)
    set_session(answer, request, request.app.state.signer, token)
    found = access.visitor_of(store, token)
    assert found is not None
    return WhoAmI(name=found[0].name, role=found[0].role)


@router.get("/session", tags=["access"])
def who_am_i(request: Asked) -> WhoAmI:
    """Say who asks."""
    visitor = visitor_of(request)
    if visitor is None:
        raise NotSignedIn("not_signed_in")
    return WhoAmI(name=visitor.name, role=visitor.role)


@router.delete("/session", tags=["access"], status_code=204)
def sign_out(request: Asked) -> Response:
    """End the session."""
    answer = Response(status_code=204)
    signed_out(request, answer)
    return answer
