"""The language at hand: catalogues of messages (gettext), chosen by cookie or by browser.

Catalogues are the `.po` files in `locale/`, compiled when they are first asked for; English is what
templates and `messages.toml` say themselves.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from contextvars import ContextVar
from functools import cache, lru_cache
from gettext import GNUTranslations, NullTranslations
from pathlib import Path

HERE = Path(__file__).parent / "locale"
LANGUAGES = {"en": "English", "de": "Deutsch"}
WORLD = {"en": "en_001"}  # where English is read, if a visitor's browser doesn't say
current: ContextVar[str] = ContextVar("language", default="en")
region: ContextVar[str] = ContextVar("region", default="en_001")


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


def tags_in(accepted: str) -> list[str]:
    """Return the tags of `Accept-Language` (RFC 9110), the most wanted first, as locale names.

    >>> tags_in("en;q=0.5, de-AT")
    ['de_AT', 'en']
    """
    wanted = []
    for part in accepted.split(","):
        tag, _, rest = part.strip().partition(";")
        try:
            weight = float(rest.strip().removeprefix("q=") or 1)
        except ValueError:
            weight = 0.0
        if tag and weight > 0:
            wanted.append((-weight, tag.replace("-", "_")))
    return [tag for _, tag in sorted(wanted, key=lambda pair: pair[0])]


@lru_cache(maxsize=256)
def region_of(language: str, accepted: str) -> str:
    """Return the locale by which days are written: the visitor's own region, if it is told.

    >>> region_of("en", "en-US,en;q=0.9"), region_of("en", "de"), region_of("de", "de-AT")
    ('en_US', 'en_001', 'de_AT')
    """
    from babel import Locale, UnknownLocaleError

    for tag in tags_in(accepted):
        if tag.split("_")[0] == language and "_" in tag:
            try:
                return str(Locale.parse(tag))
            except (UnknownLocaleError, ValueError):
                continue
    return WORLD.get(language, language)


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
    found = negotiate_locale(tags_in(accepted), list(LANGUAGES))
    return found.split("_")[0] if found else "en"


def translated(message: str) -> str:
    """Return a message in the language at hand."""
    return catalogue(current.get()).gettext(message) if message else ""


def translated_number(one: str, many: str, number: int) -> str:
    """Return a message that counts, in the language at hand."""
    return catalogue(current.get()).ngettext(one, many, number)


def speak(code: str, accepted: str = "") -> None:
    """Speak a language from here on, English if it is none of ours.

    `accepted` is the visitor's `Accept-Language`, for the way in which days are written.
    """
    language = code if code in LANGUAGES else "en"
    current.set(language)
    region.set(region_of(language, accepted))
