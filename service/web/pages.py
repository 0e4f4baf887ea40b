"""Rendering of templates, and the state that requests share."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote, unquote

from babel.dates import format_date
from fastapi import BackgroundTasks, Depends, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, PackageLoader
from sqlalchemy.orm import Session

from classifier.vocabulary import COMBS, SPOKEN
from genetics.evidence import SAID
from genetics.genotype import NAMES
from genetics.pedigree import PedigreeError
from service import clock
from service.answers.refresh import refresh
from service.documents.triage_html import environment
from service.flock.flock_csv import FlockError
from service.records.audit_log import undo
from service.records.database import StoreError
from service.web.language import LANGUAGES, chosen, current, translated, translated_number
from service.web.sentences import in_words, marked
from service.wording import times

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


def told_comb(comb: str | None) -> str:
    """A comb word for people, in the language of this request."""
    if comb == "pea":
        return translated("pea, rows not told")
    return translated(SPOKEN.get(comb or "", "can't tell"))


def coarse_comb(comb: str) -> str:
    """A coarse comb for people, where pea is blade and triple together by intent."""
    return translated("pea") if comb == "pea" else told_comb(comb)


def told_day(day: date | datetime | None) -> str:
    """A day as it is written in the language of this request."""
    return format_date(day, "medium", locale=current.get()) if day else ""


def begun(text: str) -> str:
    """Text with a capital at its start and the rest as it is: German nouns keep theirs.

    >>> begun("gefalteter Einfachkamm")
    'Gefalteter Einfachkamm'
    """
    return f"{text[:1].upper()}{text[1:]}"


def sentence(text: str) -> str:
    """A sentence in the language of this request, with a capital and a full stop."""
    said = in_words(text)
    return f"{begun(said)}{'' if said.endswith(('.', '?', '!')) else '.'}"


def templates() -> Environment:
    """The report's environment with the web templates and the catalogues."""
    env = environment()
    env.loader = PackageLoader("service.web", "templates")
    env.add_extension("jinja2.ext.i18n")
    env.install_gettext_callables(  # type: ignore[attr-defined]
        translated, translated_number, newstyle=True
    )
    env.filters.update(
        spoken=told_comb,
        words=in_words,
        sentence=sentence,
        day=told_day,
        path=quote_path,
        times=times,
        coarse=coarse_comb,
        begun=begun,
    )
    env.globals.update(
        combs=COMBS, said=list(SAID), genotypes=NAMES, pile_names=PILE_NAMES, languages=LANGUAGES
    )
    return env


def quote_path(text: object) -> str:
    """Text as one part of a path: bands may hold slashes and the like."""
    return quote(str(text), safe="")


TEMPLATES = templates()


def who(request: Request) -> str:
    """The name that this visitor gave last time."""
    return unquote(request.cookies.get("who", ""))[:80]


@contextmanager
def language_of(request: Request) -> Iterator[None]:
    """Words within are in the visitor's language."""
    token = current.set(chosen(request.cookies, request.headers.get("accept-language", "")))
    try:
        yield
    finally:
        current.reset(token)


def page(request: Request, name: str, status: int = 200, **values: Any) -> HTMLResponse:
    """A rendered page in the visitor's language."""
    with language_of(request):
        text = TEMPLATES.get_template(name).render(
            path=request.url.path,
            here=str(request.url.path) + (f"?{request.url.query}" if request.url.query else ""),
            language=current.get(),
            who=who(request),
            did=request.query_params.get("did", ""),
            **values,
        )
    return HTMLResponse(text, status_code=status, headers={"Vary": "Cookie, Accept-Language"})


def gone_to(request: Request, target: str, did: str = "", by: str = "") -> RedirectResponse:
    """A redirect after a form: to a page of ours, with the act that can be taken back there."""
    if not target.startswith("/") or target.startswith("//") or "\\" in target:
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


def signed(request: Request, by: str = "") -> str:
    """Who acts: the name in the form, else the one that was given last."""
    return by.strip() or who(request) or "keeper"


@contextmanager
def acting(request: Request, name: str, act: str, status: int = 422) -> Iterator[Session]:
    """A session that writes one act of a visitor; what doesn't fit is told with `status`.

    The act's own name, by which it can be taken back, is `session.info["batch"]`.
    """
    try:
        with store_of(request).writing(name, act) as session:
            yield session
    except (StoreError, FlockError, PedigreeError) as error:
        raise HTTPException(status, str(error)) from None


def session_of(request: Request) -> Iterator[Session]:
    """One session a request, which sees one state of the records and changes nothing."""
    with store_of(request).reading() as session:
        yield session


Records = Annotated[Session, Depends(session_of, scope="function")]


def taken_back(request: Request, later: BackgroundTasks, act: str) -> str:
    """Take one act back in full; returns the name of this act, which can be taken back too."""
    with acting(request, signed(request), f"undone: {act[:8]}", 409) as session:
        undo(session, act)
        done: str = session.info["batch"]
    later.add_task(refresh, store_of(request), reader_of(request).card.prior, clock.today())
    return done


def worked_in(request: Request, later: BackgroundTasks, bands: list[str]) -> None:
    """Work a change of some birds into their families' answers; culprits once the page is sent."""
    if bands:
        store, prior = store_of(request), reader_of(request).card.prior
        refresh(store, prior, clock.today(), bands, culprits=())
        later.add_task(refresh, store, prior, clock.today(), bands, set(bands))


def store_of(request: Request) -> Store:
    """The store."""
    store: Store = request.app.state.store
    return store


def settings_of(request: Request) -> Settings:
    """The installation's settings."""
    settings: Settings = request.app.state.settings
    return settings


def reader_of(request: Request) -> Reader:
    """The reader."""
    reader: Reader = request.app.state.reader
    return reader
