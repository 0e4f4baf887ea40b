"""Rendering of templates, and the state that requests share."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote, unquote

from babel.dates import format_date
from fastapi import BackgroundTasks, Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, PackageLoader
from sqlalchemy.orm import Session

from classifier.vocabulary import COMBS
from genetics.evidence import SAID
from genetics.genotype import NAMES
from service import clock
from service.actions.desk import Desk
from service.actions.readers import ReaderInUse
from service.documents.triage_html import environment
from service.errors import UsageMistake
from service.records.accounts import Visitor
from service.web.root import Root, Rooted
from service.wording.language import LANGUAGES, current, marked, region, translated
from service.wording.numbers import decimal, times
from service.wording.sentences import Message, say, word

if TYPE_CHECKING:
    from classifier.reader import Reader
    from service.records.database import Store
    from service.settings import Settings

PILE_NAMES = {
    "second_look": marked("Second look"),
    "new_photo": marked("New photo"),
    "settled": marked("Settled"),
}
# Bands that a field suggests while one types; a larger flock is searched instead.
SUGGESTED = 400
LONGEST_NUMBER = 9  # digits of a row's number in an address


def comb_name(comb: str | None) -> str:
    """Return a comb word for people; of a bird or photo, pea is pea with its rows not told."""
    return translated("pea, rows not told") if comb == "pea" else word(comb or "")


COLUMN_NAMES = {
    "bird": marked("band"),
    "sire": marked("sire"),
    "dam": marked("dam"),
    "sex": marked("sex"),
    "hatched": marked("hatched"),
    "comb": marked("comb"),
    "comb_by": marked("who saw the comb"),
    "crest": marked("crest"),
    "beard": marked("beard"),
    "wattles": marked("wattles"),
    "genotype": marked("genotype"),
    "photo": marked("photo"),
    "notes": marked("notes"),
    "variety": marked("variety"),
    "status": marked("status"),
    "pen": marked("pen"),
}


def column_name(column: str) -> str:
    """Return a column of ours for people."""
    return translated(COLUMN_NAMES[column])


def day_name(value: date | datetime | None) -> str:
    """Return a day as it is written in the language of this request."""
    return format_date(value, "medium", locale=region.get()) if value else ""


def moment_name(value: datetime) -> str:
    """Return a moment by the clock of the machine that keeps the records."""
    here = value.astimezone()
    return f"{day_name(here)} {here:%H:%M}"


def templates() -> Environment:
    """Return the report's environment with the web templates and the catalogues."""
    env = environment()
    env.add_extension(Rooted)
    env.loader = PackageLoader("service.web", "templates")
    env.filters.update(
        spoken=comb_name,
        day=day_name,
        moment=moment_name,
        path=quote_path,
        times=times,
        decimal=decimal,
        translated=translated,
        may=lambda role: say(Message(f"may_{role}")),
        way=lambda name: say(Message(f"way_{name}")),
    )
    env.globals.update(
        root=Root(),
        column_name=column_name,
        yes_no=lambda value: {True: translated("yes"), False: translated("no")}.get(value, ""),
        combs=COMBS,
        said=list(SAID),
        genotypes=NAMES,
        pile_names=PILE_NAMES,
        languages=LANGUAGES,
    )
    return env


def quote_path(text: object) -> str:
    """Text as one part of a path: bands may hold slashes and the like."""
    return quote(str(text), safe="")


TEMPLATES = templates()
MACHINE = Visitor("", "own")


def signed_in_as(request: Request) -> str:
    """Return the name of the visitor's account, nothing for whoever sits at the machine."""
    visitor = getattr(request.state, "visitor", None)
    return visitor.name if visitor is not None and visitor.account is not None else ""


def who(request: Request) -> str:
    """Return the visitor's account, else the name that was given last time at the machine."""
    return signed_in_as(request) or unquote(request.cookies.get("who", ""))[:80]


def page(request: Request, name: str, status: int = 200, **values: Any) -> HTMLResponse:
    """Return a rendered page in the visitor's language."""
    text = TEMPLATES.get_template(name).render(
        path=request.url.path,
        here=str(request.url.path) + (f"?{request.url.query}" if request.url.query else ""),
        language=current.get(),
        who=who(request),
        signed_in=signed_in_as(request),
        visitor=getattr(request.state, "visitor", None),
        did=request.query_params.get("did", ""),
        **values,
    )
    return HTMLResponse(text, status_code=status, headers={"Vary": "Cookie, Accept-Language"})


def gone_to(request: Request, target: str, did: str = "", by: str = "") -> RedirectResponse:
    """Return a redirect after a form.

    To a page of ours, with the act that can be taken back there.
    """
    if (
        not target.startswith("/")
        or target.startswith("//")
        or not target.isprintable()
        or "\\" in target
    ):
        target = "/"
    if did:
        plain, _, rest = target.partition("?")
        kept = [part for part in rest.split("&") if part and not part.startswith("did=")]
        target = f"{plain}?{'&'.join([*kept, f'did={did}'])}"
    answer = RedirectResponse(target, status_code=303)
    if by.strip():
        answer.set_cookie(
            "who", quote(by.strip()[:80]), max_age=31_536_000, httponly=True, samesite="lax"
        )
    return answer


def name_of(request: Request, by: str = "") -> str:
    """Who acts: the account; at the machine itself, where there is none, whoever is named."""
    return signed_in_as(request) or by.strip() or who(request)


def desk_of(request: Request, later: BackgroundTasks | None, by: str = "") -> Desk:
    """Where a visitor's acts are done: under the name given, today, the slow rest afterwards."""
    return Desk(
        store_of(request),
        reader_of(request).card.prior,
        name_of(request, by),
        clock.today(),
        request.app.state.jobs.after(later) if later is not None else None,
        own_acts_only=not getattr(request.state, "visitor", MACHINE).may("decide"),
    )


def number_in(text: str) -> int | None:
    """Return a row's number from an address; None for what can't be one."""
    return int(text) if text.isdecimal() and len(text) <= LONGEST_NUMBER else None


def day_in(text: str, field: str) -> date | None:
    """Return a day from a form; empty is none. Raises UsageMistake."""
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise UsageMistake("not_a_date", option=field, text=text) from None


def session_of(request: Request) -> Iterator[Session]:
    """One session a request, which sees one state of the records and changes nothing."""
    with store_of(request).reading() as session:
        yield session


Records = Annotated[Session, Depends(session_of, scope="function")]


def store_of(request: Request) -> Store:
    """Return the store."""
    store: Store = request.app.state.store
    return store


def settings_of(request: Request) -> Settings:
    """Return the installation's settings."""
    settings: Settings = request.app.state.settings
    return settings


def reader_of(request: Request) -> Reader:
    """Return the reader in use."""
    return readers_of(request)()


def readers_of(request: Request) -> ReaderInUse:
    """Return what knows the reader in use."""
    readers: ReaderInUse = request.app.state.readers
    return readers
