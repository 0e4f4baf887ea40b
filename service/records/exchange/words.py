"""What breeders call things in their own lists, from `words.toml`."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from functools import cache
from importlib import resources
from typing import Any


@cache
def table() -> dict[str, Any]:
    """Return `words.toml`."""
    text = resources.files(__package__).joinpath("words.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def headings() -> dict[str, list[str]]:
    """Return the words that head each of our columns."""
    found: dict[str, list[str]] = table()["headings"]
    return found


def plain_word(text: str) -> str:
    """Lower case without accents, marks as single blanks.

    >>> plain_word('Ring-No.'), plain_word('Schlüpft'), plain_word('Groß')
    ('ring no', 'schlupft', 'gross')
    """
    bare = unicodedata.normalize("NFKD", text.casefold())
    letters = "".join(sign for sign in bare if not unicodedata.combining(sign))
    return " ".join(re.findall(r"[^\W_]+", letters))


@cache
def cell_words(column: str) -> dict[str, str]:
    """Return their words for a column to ours; none where it holds no words of ours."""
    found = {}
    for ours, theirs in table()["cells"].get(column, {}).items():
        found[ours] = ours
        for said in theirs:
            found[said.casefold()] = ours
            found.setdefault(plain_word(said) or said, ours)
    return found


def in_our_words(column: str, value: str) -> str:
    """Return a cell in our words where that is beyond doubt, else as it is.

    >>> in_our_words('sex', 'Pullet'), in_our_words('sex', '0.1'), in_our_words('comb', 'Walnuss')
    ('hen', 'hen', 'walnut')
    """
    known = cell_words(column)
    return known.get(value.casefold()) or known.get(plain_word(value)) or value


def is_unknown(value: str) -> bool:
    """Whether a cell says that something isn't known.

    >>> is_unknown('?'), is_unknown('k.A.'), is_unknown('-')
    (True, True, False)
    """
    said = {value.strip().casefold(), plain_word(value) or value.strip()}
    return not said.isdisjoint(table()["unknown"]["words"])


def is_dash(value: str) -> bool:
    """Whether a cell only says that there is nothing."""
    return value.strip().casefold() in table()["unknown"]["dashes"]
