"""The language at hand: catalogues of messages (gettext), chosen by cookie or by browser.

Catalogues are the `.po` files in `locale/`, compiled when they are first asked for; English is what
templates and `messages.toml` say themselves.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from contextvars import ContextVar
from functools import cache
from gettext import GNUTranslations, NullTranslations
from pathlib import Path

HERE = Path(__file__).parent / "locale"
LANGUAGES = {"en": "English", "de": "Deutsch"}
current: ContextVar[str] = ContextVar("language", default="en")


@cache
def catalogue(code: str) -> NullTranslations:
    """Messages of a language; those of English are themselves."""
    path = HERE / f"{code}.po"
    if code not in LANGUAGES or not path.exists():
        return NullTranslations()
    from babel.messages.mofile import write_mo  # only who speaks no English waits for these
    from babel.messages.pofile import read_po

    with path.open("rb") as file:
        messages = read_po(file, locale=code)
    buffer = io.BytesIO()
    write_mo(buffer, messages)
    buffer.seek(0)
    return GNUTranslations(buffer)


def marked(message: str) -> str:
    """Mark a message for the catalogue."""
    return message


def choose_language(cookies: Mapping[str, str], accepted: str) -> str:
    """Return a language by the visitor's cookie, else by `Accept-Language` (RFC 9110), else
    English.

    >>> choose_language({}, "de-AT,de;q=0.9,en;q=0.5")
    'de'
    >>> choose_language({"language": "en"}, "de"), choose_language({}, "")
    ('en', 'en')
    """
    from babel import negotiate_locale

    if cookies.get("language") in LANGUAGES:
        return cookies["language"]
    wanted = []
    for part in accepted.split(","):
        tag, _, rest = part.strip().partition(";")
        try:
            weight = float(rest.strip().removeprefix("q=") or 1)
        except ValueError:
            weight = 0.0
        if tag and weight > 0:
            wanted.append((-weight, tag.replace("-", "_")))
    found = negotiate_locale([tag for _, tag in sorted(wanted)], list(LANGUAGES))
    return found.split("_")[0] if found else "en"


def translated(message: str) -> str:
    """Return a message in the language at hand."""
    return catalogue(current.get()).gettext(message) if message else ""


def translated_number(one: str, many: str, number: int) -> str:
    """Return a message that counts, in the language at hand."""
    return catalogue(current.get()).ngettext(one, many, number)


def speak(code: str) -> None:
    """Speak a language from here on, English if it is none of ours."""
    current.set(code if code in LANGUAGES else "en")
