"""Sentences as data, and from a code to words in the reader's language: the one place for that.

Codes of all three packages are one vocabulary: a code means the same sentence wherever it comes
from (a test holds that).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import date
from functools import cache
from importlib import resources
from typing import Any, Protocol

import classifier.messages
import genetics.messages
from genetics.messages import Place
from service.wording.language import current, marked, translated
from service.wording.numbers import Number

# Values under these names are words of ours, which have words for people in every language.
WORDS = ("comb", "combs", "seen", "due", "sex", "size", "choice", "purpose", "what")
EITHER = (
    "combs",
    "mates",
    "alternatives_or",
    "other_either",
)  # several of these are parted by 'or'
BOTH = ("chicks", "readings", "records_and")  # and several of these by 'and'
SPOKEN_WORDS = {
    "single": marked("single"),
    "crest_folded_single": marked("crest-folded single"),
    "rose": marked("rose"),
    "single_blade_pea": marked("single-blade pea"),
    "triple_pea": marked("triple pea"),
    "walnut": marked("walnut"),
    "pea": marked("pea"),
    "none_of_these": marked("another comb"),
    "": marked("can't tell"),
    "cock": marked("cock"),
    "hen": marked("hen"),
    "small": marked("small"),
    "medium": marked("medium"),
    "large": marked("large"),
    "unknown": marked("unknown"),
    "keep": marked("keep"),
    "test": marked("test"),
    "breeding": marked("breeding"),
    "recheck": marked("recheck"),
    "layer or pet home": marked("layer or pet home"),
    "other": marked("other"),
    "pen": marked("pen"),
    "hatch": marked("hatch"),
}
AND, OR = marked("and"), marked("or")
RECORDS = marked("the records")  # in the place of a file


class Coded(Protocol):
    """A sentence as data, from any of the packages: a doubt, a message, an error's message."""

    @property
    def code(self) -> str:
        """Its code in a catalogue."""

    @property
    def values(self) -> Mapping[str, Any]:
        """The values that go into it."""


@cache
def templates() -> dict[str, dict[str, str]]:
    """English templates of all packages by code."""
    text = resources.files(__package__).joinpath("messages.toml").read_text(encoding="utf-8")
    ours = tomllib.loads(text)
    return {**genetics.messages.templates(), **classifier.messages.templates(), **ours}


class Message(genetics.messages.Message):
    """A sentence of the service as data: a code of `messages.toml` and its values."""

    def __str__(self) -> str:
        return say(self)


def as_data(value: Any) -> Any:
    """Return a coded sentence, or anything within one, as JSON holds it."""
    if hasattr(value, "code") and hasattr(value, "values"):
        return {"code": value.code, "parameters": {k: as_data(v) for k, v in value.values.items()}}
    if isinstance(value, list | tuple):
        return [as_data(part) for part in value]
    return value.isoformat() if isinstance(value, date) else value


def from_data(value: Any) -> Any:
    """Return what `as_data` made, as it was: sequences come back as tuples, days as text."""
    if isinstance(value, dict) and value.keys() == {"code", "parameters"}:
        return Message(value["code"], **{k: from_data(v) for k, v in value["parameters"].items()})
    if isinstance(value, list):
        return tuple(from_data(part) for part in value)
    return value


def word(text: str) -> str:
    """Return a word of our vocabulary for people; anything else as it is."""
    return translated(SPOKEN_WORDS[text]) if text in SPOKEN_WORDS else text


def join_parts(parts: list[str], name: str) -> str:
    """Several as one text, parted as their name in the template asks."""
    if name in EITHER:
        return f" {translated(OR)} ".join(parts)
    if name in BOTH and len(parts) > 1:
        return f"{', '.join(parts[:-1])} {translated(AND)} {parts[-1]}"
    return ("; " if name.endswith("culprits") else ", ").join(parts)


def spoken(name: str, value: Any) -> Any:
    """Return a value as it goes into a sentence: in words, if it isn't a number."""
    if hasattr(value, "code") and hasattr(value, "values"):
        return say(value)
    if isinstance(value, list | tuple):
        return join_parts([str(spoken(name, part)) for part in value], name)
    if isinstance(value, date):
        return day(value)
    if isinstance(value, float):
        return Number(value)
    return word(value) if isinstance(value, str) and name in WORDS else value


def day(value: date | None) -> str:
    """Return a day as it is written in the language at hand; ISO 8601 in English."""
    if value is None:
        return ""
    if current.get() == "en":
        return f"{value:%Y-%m-%d}"
    from babel.dates import format_date

    return format_date(value, "medium", locale=current.get())


def filled(template: str, values: Mapping[str, Any]) -> str:
    """Return a template in the language at hand, with its values in place."""
    return translated(template).format(**{k: spoken(k, v) for k, v in values.items()})


def say(message: Coded) -> str:
    """Return a sentence in the language at hand; of an error also where, and what to do."""
    template = templates()[message.code]
    text = filled(template["what"], message.values)
    if isinstance(message, Exception):
        if "remedy" in template:
            text = f"{text}; {filled(template['remedy'], message.values)}"
        place = getattr(message, "place", None)
        text = f"{where(place)}: {text}" if place else text
    return text


def where(place: Any) -> str:
    """Return a place in the language at hand."""
    if not isinstance(place, Place):
        return str(place)
    parts = [translated(RECORDS) if place.file == RECORDS else place.file]
    if place.line is not None:
        parts.append(translated("line {line}").format(line=place.line))
    if place.bird:
        parts.append(translated("bird {bird}").format(bird=place.bird))
    if place.column:
        parts.append(translated("column {column}").format(column=place.column))
    if place.key:
        parts.append(translated("key {key}").format(key=place.key))
    return ", ".join(parts)


def with_sentence(message: Coded) -> dict[str, Any]:
    """For programs: code, parameters, and the sentence in the language at hand."""
    return {**as_data(message), "sentence": say(message)}
