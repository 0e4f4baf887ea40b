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
from typing import Any, ParamSpec, Protocol, TypeVar

from genetics.errors import GeneticsError
from genetics.messages import Place

P = ParamSpec("P")
R = TypeVar("R")
TABLES = ("loci", "combs", "varieties", "fertility", "strategy", "settling")
Overrides = Mapping[str, Any]
FIXED = (("combs", "classes"), ("combs", "shown"))
LOCUS_KEYS = ("name", "dominant", "recessive", "dominance", "chromosome")
LOCUS_MORE = {"shows": list, "seen": list, "lethal": int}
LINKAGE_KEYS = {"loci": list, "recombination": list, "cock": list, "hen": list}
DOMINANCE = ("complete", "incomplete")
DISTRIBUTIONS = (("combs", "leaks"), ("combs", "wattles"))

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

    def wrong(path: tuple[str, ...], code: str, /, **values: Any) -> NumbersError:
        place = Place(name, line_of(text, path), key=".".join(path))
        return NumbersError(code, place=place, **values)

    for table, value in theirs.items():
        if table not in TABLES or not isinstance(value, dict):
            raise wrong((table,), "unknown_table", known=TABLES)
        check_table((table,), value, shipped(table), wrong)
    return theirs


class Complaint(Protocol):
    """Makes the error for a key: its path, a code, and the values of its message."""

    def __call__(self, path: tuple[str, ...], code: str, /, **values: Any) -> NumbersError:
        """Return the error to be raised."""


def check_table(
    path: tuple[str, ...], theirs: Mapping[str, Any], ours: Mapping[str, Any], wrong: Complaint
) -> None:
    """Check every key of a table against ours; raises what `wrong` makes."""
    for key, value in theirs.items():
        here = (*path, key)
        if here in FIXED:
            raise wrong(here, "fixed_key")
        may_add = path in (("loci", "locus"), ("loci", "linkage"), ("varieties",))
        if isinstance(value, dict) and may_add and key not in ours:
            check_new(here, value, wrong)
        elif key not in ours and not (path[:2] == ("loci", "locus") and key in LOCUS_MORE):
            if not (path[:2] == ("loci", "linkage") and key in LINKAGE_KEYS):
                known = tuple(ours)
                raise wrong(here, "unknown_key", known=known)
            check_value(here, value, [], wrong)
        elif isinstance(value, dict) and isinstance(ours.get(key), dict):
            check_table(here, value, ours[key], wrong)
        else:
            check_value(here, value, ours.get(key), wrong)


def check_new(path: tuple[str, ...], value: Mapping[str, Any], wrong: Complaint) -> None:
    """Check a locus, linkage group or variety that isn't among ours."""
    needed: tuple[str, ...] = ("R", "P", "Cr", "Mb")
    if path[:2] == ("loci", "locus"):
        needed = LOCUS_KEYS
    elif path[:2] == ("loci", "linkage"):
        sexes = "cock" in value or "hen" in value
        needed = ("loci", "cock", "hen") if sexes else ("loci", "recombination")
    for key in needed:
        if key not in value:
            raise wrong(path, "key_missing", missing=key, needed=needed)
    allowed = {*needed, "coincidence", *LOCUS_MORE} if path[0] == "loci" else set(needed)
    for key, entry in value.items():
        if key not in allowed:
            raise wrong((*path, key), "unknown_key", known=tuple(sorted(allowed)))
        check_value((*path, key), entry, None, wrong)
    if path[:2] == ("loci", "linkage"):
        for key in needed[1:]:
            if len(value[key]) != len(value["loci"]) - 1:
                raise wrong(
                    (*path, key),
                    "fractions_expected_here",
                    number=len(value["loci"]),
                    needed=len(value["loci"]) - 1,
                    given=len(value[key]),
                )


def number(value: Any) -> bool:
    """Whether a TOML value is a number."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def check_value(path: tuple[str, ...], value: Any, ours: Any, wrong: Complaint) -> None:
    """Check one value: of the same kind as ours, and of a range that makes sense."""
    key = path[-1]
    if ours is not None and ours != []:
        same = number(value) if number(ours) else isinstance(value, type(ours))
        if not same:
            kind = "number" if number(ours) else type(ours).__name__
            raise wrong(path, "other_kind", value=value, kind=kind, example=ours)
        if isinstance(ours, list) and len(value) != len(ours):
            raise wrong(path, "other_length", needed=len(ours), given=len(value))
    numbers = [v for v in (value if isinstance(value, list) else [value]) if number(v)]
    if key in ("recombination", "cock", "hen") and path[:2] == ("loci", "linkage"):
        if not isinstance(value, list) or len(numbers) != len(value):
            raise wrong(path, "not_fractions", value=value)
        for fraction in numbers:
            if not 0 <= fraction <= 0.5:
                raise wrong(path, "recombination_out_of_range", fraction=fraction)
    elif key == "dominance" and value not in DOMINANCE:
        raise wrong(path, "none_of", value=value, known=DOMINANCE)
    elif path[:2] in DISTRIBUTIONS and isinstance(value, list):
        if len(numbers) != len(value) or min(numbers) < 0 or abs(sum(numbers) - 1) > 1e-9:
            raise wrong(path, "sum_not_one", total=sum(numbers))
    elif path[0] in ("combs", "varieties") or path[:2] == ("fertility", "rates") or key == "seen":
        for chance in numbers:
            if key.endswith(("_weeks", "_readings")):
                if chance < 0:
                    raise wrong(path, "negative", value=chance)
            elif not 0 <= chance <= 1:
                raise wrong(path, "not_a_probability", value=chance)
    elif numbers and min(numbers) < 0:
        raise wrong(path, "negative", value=min(numbers))


def line_of(text: str, path: tuple[str, ...]) -> int:
    """Return the line that sets a key, or its table's; 1 if neither is found.

    >>> line_of('[combs.crest]\\nfolds = 2', ('combs', 'crest', 'folds'))
    2
    """
    table: tuple[str, ...] = ()
    best, depth = 1, 0
    for count, raw in enumerate(text.splitlines(), start=1):
        line = raw.strip()
        if line.startswith("["):
            table = keys_of(line.strip("[]").split("]")[0])
            here = table
        elif "=" in line and not line.startswith("#"):
            here = (*table, *keys_of(line.split("=")[0]))
        else:
            continue
        if path[: len(here)] == here and len(here) > depth:
            best, depth = count, len(here)
    return best


def keys_of(dotted: str) -> tuple[str, ...]:
    """Return a dotted key, quotes allowed, as its parts.

    >>> keys_of('varieties."my own"')
    ('varieties', 'my own')
    """
    parts, part, quote = [], "", ""
    for letter in dotted.strip():
        if quote:
            quote, part = ("", part) if letter == quote else (quote, part + letter)
        elif letter in "\"'":
            quote = letter
        elif letter == ".":
            parts.append(part.strip())
            part = ""
        else:
            part += letter
    return (*parts, part.strip())
