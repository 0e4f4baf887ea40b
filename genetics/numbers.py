"""The tables of domain numbers that lie as TOML beside the code, and the user's own in their place.

A user's file holds tables named after ours, with only what differs:

    [combs.crest]
    folds = 0.6

It is checked whole before any of it counts; a complaint names file, line and key.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from copy import deepcopy
from functools import cache, wraps
from importlib import resources
from typing import Any, ParamSpec, TypeVar

from genetics.errors import GeneticsError
from genetics.messages import Place

P = ParamSpec("P")
R = TypeVar("R")
TABLES = ("loci", "combs", "varieties", "fertility", "strategy", "settling")
Overrides = Mapping[str, Any]

_mine: dict[str, Any] = {}
_forget: list[Callable[[], None]] = []


class NumbersError(GeneticsError):
    """A user's file of numbers that can't be used; the message names file, line and key."""

    exit_code = 1


def derived(function: Callable[P, R]) -> Callable[P, R]:
    """Return a function whose results are kept until other numbers are used."""
    kept = cache(function)
    _forget.append(kept.cache_clear)

    @wraps(function)
    def call(*args: P.args, **kwargs: P.kwargs) -> R:
        return kept(*args, **kwargs)  # type: ignore[arg-type]

    return call


@cache
def shipped(name: str) -> dict[str, Any]:
    """Return the table `name`.toml of this package, as it is shipped."""
    return tomllib.loads(source(name))


def source(name: str) -> str:
    """Return the text of `name`.toml, comments with their sources included."""
    return resources.files(__package__).joinpath(f"{name}.toml").read_text(encoding="utf-8")


@derived
def toml(name: str) -> dict[str, Any]:
    """Return the table `name`.toml with the user's numbers in place."""
    return merged(shipped(name), _mine.get(name, {}))


def merged(ours: Mapping[str, Any], theirs: Mapping[str, Any]) -> dict[str, Any]:
    """Return a copy of `ours` with the values of `theirs` laid over it, table by table."""
    found = deepcopy(dict(ours))
    for key, value in theirs.items():
        both = isinstance(value, dict) and isinstance(found.get(key), dict)
        found[key] = merged(found[key], value) if both else deepcopy(value)
    return found


def use(overrides: Overrides) -> None:
    """Let the numbers of `overrides`, from `read`, count in this process; {} for ours alone."""
    _mine.clear()
    _mine.update(overrides)
    for forget in _forget:
        forget()


def read(text: str, name: str) -> dict[str, Any]:
    """Return the user's numbers from their text, checked whole. Raises NumbersError."""
    try:
        theirs = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise NumbersError("not_toml", place=Place(str(name)), reason=str(error)[:200]) from None

    from genetics.own_numbers import first_mistake  # only who has numbers waits for pydantic

    for table, value in theirs.items():
        if table not in TABLES or not isinstance(value, dict):
            place = Place(name, line_of(text, (table,)), key=table)
            raise NumbersError("unknown_table", place=place, known=TABLES)
        mistake = first_mistake(table, value, shipped(table))
        if mistake is not None:
            place = Place(name, line_of(text, mistake.path), key=".".join(mistake.path))
            raise NumbersError(mistake.code, place=place, **mistake.values)
    return theirs


def line_of(text: str, path: tuple[str, ...]) -> int:
    """Return the line where a key or table begins; 1 if it isn't there.

    TOML's own parser finds it: the first lines that can be read and hold the key end with it.

    >>> line_of('[combs.crest]\\n# how often\\nfolds = [\\n2]', ('combs', 'crest', 'folds'))
    3
    """
    lines, begins = text.splitlines(keepends=True), 1
    for end in range(1, len(lines) + 1):
        try:
            found = tomllib.loads("".join(lines[:end]))
        except tomllib.TOMLDecodeError:
            continue  # amid a value of several lines
        if holds(found, path):
            return begins
        begins = end + 1
    return 1


def holds(table: Any, path: tuple[str, ...]) -> bool:
    """Whether tables within tables have a key."""
    for key in path:
        if not isinstance(table, dict) or key not in table:
            return False
        table = table[key]
    return True
