"""Pages for coming in and for letting helpers in."""

from __future__ import annotations

import io
from typing import Annotated

import segno
from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, Response

from service.actions import access
from service.actions.door import Door, door_for, is_loopback
from service.errors import NotAllowed, ServiceError, status_of
from service.records.accounts import SHORTEST, Visitor
from service.records.states import ROLES
from service.web.cookies import COOKIE, set_session
from service.web.pages import gone_to, page, store_of
from service.wording.sentences import say

router = APIRouter()
Name = Annotated[str, Form(max_length=80)]
Password = Annotated[str, Form(max_length=1000)]


def door_of(request: Request) -> Door:
    """Return how these pages are reached."""
    door: Door = request.app.state.door
    return door


def visitor_of(request: Request) -> Visitor | None:
    """Return who asks."""
    visitor: Visitor | None = request.state.visitor
    return visitor


def qr_svg(text: str) -> str:
    """Return a QR code as SVG for a page."""
    out = io.BytesIO()
    segno.make(text, micro=False).save(
        out, kind="svg", scale=5, xmldecl=False, svgns=False, dark="#000", light="#fff"
    )
    return out.getvalue().decode()


def seen_address(request: Request) -> str:
    """Return the address by which the visitor came, "" if it is the machine's own alone.

    Behind a proxy scheme and port are the proxy's, which only the request tells.
    """
    host = request.url.hostname or ""
    if is_loopback(host):
        return ""
    return f"{request.url.scheme}://{request.url.netloc}{door_of(request).root}"


def show_accounts(
    request: Request, status: int = 200, problem: str = "", token: str = ""
) -> HTMLResponse:
    """Return the page of accounts, with a new link if there is one."""
    door = door_of(request)
    # At the machine itself the link is for later, when the pages are served to the network.
    far = door if door.accounts else door_for("", door.port, (), door.secure, door.root)
    addresses = [seen] if (seen := seen_address(request)) else far.addresses[:2]
    links = [f"{address}/join/{token}" for address in addresses] if token else []
    return page(
        request,
        "accounts.html",
        status=status,
        accounts=access.all_accounts(store_of(request)),
        owned=access.owned(store_of(request)),
        roles=ROLES,
        shortest=SHORTEST,
        needed=door.accounts,
        problem=problem,
        links=links,
        qr=qr_svg(links[0]) if links else "",
        address=addresses[0] if door.accounts else "",
        address_qr=qr_svg(addresses[0]) if door.accounts else "",
    )


@router.get("/accounts")
def list_accounts(request: Request) -> HTMLResponse:
    """Who may come in, and how to let somebody in."""
    return show_accounts(request)


@router.post("/accounts/owner")
def make_owner(request: Request, name: Name, password: Password) -> Response:
    """Make the owner's account, on the machine itself."""
    try:
        access.make_owner(store_of(request), name, password)
    except ServiceError as error:
        return show_accounts(request, status_of(error), say(error))
    return gone_to(request, "/accounts")


@router.post("/accounts/invitations")
def invite(request: Request, role: Annotated[str, Form(max_length=8)] = "read") -> Response:
    """Make a one-time link; it is shown once, here."""
    visitor = visitor_of(request)
    token = access.invite(store_of(request), role, visitor.name if visitor else "")
    return show_accounts(request, token=token)


@router.post("/accounts/role")
def change_role(request: Request, name: Name, role: Annotated[str, Form(max_length=8)]) -> Response:
    """Give an account another role."""
    access.change_role(store_of(request), name, role)
    return gone_to(request, "/accounts")


@router.post("/accounts/close")
def close(request: Request, name: Name) -> Response:
    """Close an account."""
    access.close(store_of(request), name)
    return gone_to(request, "/accounts")


@router.get("/sign-in")
def ask_name(request: Request, back: str = "/") -> Response:
    """Ask for name and password."""
    visitor = visitor_of(request)
    if visitor is not None and visitor.account is not None:
        return gone_to(request, back)
    return page(request, "sign_in.html", back=back, problem="", given="")


@router.post("/sign-in")
def sign_in(
    request: Request,
    name: Name,
    password: Password,
    back: Annotated[str, Form(max_length=400)] = "/",
) -> Response:
    """Begin a session."""
    address = request.client.host if request.client else ""
    try:
        token = access.sign_in(store_of(request), name, password, address)
    except ServiceError as error:
        answer = page(
            request,
            "sign_in.html",
            status=status_of(error),
            back=back,
            problem=say(error),
            given=name,
        )
        if status_of(error) == 429:
            answer.headers["Retry-After"] = str(error.values["seconds"])
        return answer
    return signed_in(request, gone_to(request, back), token)


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """End a session."""
    return signed_out(request, gone_to(request, "/sign-in"))


@router.get("/join/{token}")
def ask_to_join(request: Request, token: str) -> HTMLResponse:
    """Ask a helper for name and password; the link is spent only by the form."""
    role = access.invited_as(store_of(request), token)
    return page(request, "join.html", role=role, shortest=SHORTEST, problem="", given="")


@router.post("/join/{token}")
def join(request: Request, token: str, name: Name, password: Password) -> Response:
    """Make a helper's account and begin its session."""
    role = access.invited_as(store_of(request), token)
    try:
        session = access.join(store_of(request), token, name, password)
    except ServiceError as error:
        return page(
            request, "join.html", status=status_of(error), role=role, shortest=SHORTEST,
            problem=say(error), given=name,
        )  # fmt: skip
    return signed_in(request, gone_to(request, "/"), session)


@router.get("/password")
def ask_password(request: Request) -> Response:
    """Ask for another password."""
    return page(request, "password.html", shortest=SHORTEST, problem="")


@router.post("/password")
def change_password(request: Request, old: Password, password: Password) -> Response:
    """Change one's own password; all sessions end."""
    visitor = visitor_of(request)
    if visitor is None or visitor.account is None:
        raise NotAllowed("no_account_here")
    try:
        access.set_password(store_of(request), visitor.name, password, old)
    except ServiceError as error:
        return page(
            request, "password.html", status=status_of(error), shortest=SHORTEST, problem=say(error)
        )
    return signed_out(request, gone_to(request, "/sign-in"))


def signed_in(request: Request, answer: Response, token: str) -> Response:
    """Return an answer that begins a session."""
    set_session(answer, request, request.app.state.signer, token)
    return answer


def signed_out(request: Request, answer: Response) -> Response:
    """Return an answer that ends a session."""
    token = getattr(request.state, "token", None)
    if token:
        access.sign_out(store_of(request), token)
    answer.delete_cookie(COOKIE)
    return answer
