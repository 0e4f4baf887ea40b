"""A user's own numbers held against the shape of ours, before any of them counts.

The shape is a pydantic model made from our tables: every key optional, every value of the same
kind, in the range that its place allows. Loci, linkage groups and varieties may be added.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StrictStr,
    ValidationError,
    create_model,
)
from pydantic_core import ErrorDetails, PydanticCustomError

Path = tuple[str, ...]
FIXED = (("combs", "classes"), ("combs", "shown"))
MAY_GROW = (("loci", "locus"), ("loci", "linkage"), ("varieties",))
DISTRIBUTIONS = (("combs", "leaks"), ("combs", "wattles"))
OURS = "ours"  # pydantic's name for the kind of our own errors
DOMINANCE = ("complete", "incomplete")
LOCUS = {"name": "", "dominant": "", "recessive": "", "dominance": "", "chromosome": ""}
LOCUS_MORE = {"shows": ["", "", ""], "seen": [0.0, 0.0, 0.0], "lethal": 0}
LINKED, SEXES = ("loci", "recombination"), ("loci", "cock", "hen")
VARIETY = {"R": 0.0, "P": 0.0, "Cr": 0.0, "Mb": 0.0}


@dataclass(frozen=True)
class Mistake:
    """What is wrong with a user's numbers: where, a code of ours, and what its message needs."""

    path: Path
    code: str
    values: dict[str, Any]


def wrong(code: str, /, **values: Any) -> PydanticCustomError:
    """Return an error of ours that passes through pydantic; `told` takes it out again."""
    return PydanticCustomError(OURS, "{code}", {"code": code, "values": values})


def within(code: str, name: str, low: float, high: float) -> Any:
    """Return the kind of a number between two bounds, these included."""

    def check(value: float) -> float:
        if not low <= value <= high:
            raise wrong(code, **{name: value})
        return value

    return Annotated[float, Field(strict=True), AfterValidator(check)]


CHANCE = within("not_a_probability", "value", 0, 1)
FRACTION = within("recombination_out_of_range", "fraction", 0, 0.5)
AMOUNT = within("negative", "value", 0, math.inf)
NUMBER = Annotated[float, Field(strict=True)]


def kind_of_number(path: Path) -> Any:
    """Return what a number at a place may be."""
    key = path[-1]
    if is_fraction(path):
        return FRACTION
    chances = path[0] in ("combs", "varieties") or path[:2] == ("fertility", "rates")
    if (chances or key == "seen") and not key.endswith(("_weeks", "_readings")):
        return CHANCE
    return AMOUNT


def is_fraction(path: Path) -> bool:
    """Whether recombination fractions stand at a place."""
    return path[:2] == ("loci", "linkage") and path[-1] in ("recombination", "cock", "hen")


def kind_at(path: Path, ours: Any) -> Any:
    """Return what a value at a place may be, from ours there."""
    if isinstance(ours, dict):
        return shape(path, ours)
    if isinstance(ours, int | float):
        return kind_of_number(path)
    if isinstance(ours, list):
        return kind_of_list(path, ours)
    return Literal[DOMINANCE] if path[-1] == "dominance" else StrictStr


def kind_of_list(path: Path, ours: list[Any]) -> Any:
    """Return what a list at a place may be: as long as ours, and chances that sum to 1 where so."""
    sums = path[:2] in DISTRIBUTIONS
    numbers = is_fraction(path) or (ours and not isinstance(ours[0], str))
    item = (NUMBER if sums else kind_of_number(path)) if numbers else StrictStr

    def check(values: list[Any]) -> list[Any]:
        if ours and len(values) != len(ours):
            raise wrong("other_length", needed=len(ours), given=len(values))
        if sums and (min(values) < 0 or abs(sum(values) - 1) > 1e-9):
            raise wrong("sum_not_one", total=sum(values))
        return values

    return Annotated[list[item], Field(strict=True), AfterValidator(check)]  # type: ignore[valid-type]


def shape(path: Path, ours: Mapping[str, Any], needed: tuple[str, ...] = ()) -> type[BaseModel]:
    """Return the model of a table: keys of ours, those of `needed` not to be left out."""
    fields: dict[str, Any] = {}
    for place, (key, value) in enumerate(ours.items()):
        rule = Field(alias=key) if key in needed else Field(None, alias=key)
        fields[f"f{place}"] = (kind_at((*path, key), value), rule)
    return create_model("Table", __config__=ConfigDict(extra="forbid", strict=True), **fields)


def tables_of(
    theirs: Mapping[str, Any], ours: Mapping[str, Any], path: Path
) -> Iterator[tuple[Path, Any, Mapping[str, Any], tuple[str, ...]]]:
    """Tables to be checked, each as a whole: its path, itself, ours, and the keys it needs."""
    if path in MAY_GROW:
        for key, value in theirs.items():
            yield (*path, key), value, *expected((*path, key), value, ours.get(key))
    elif path == ("loci",):
        for key, value in theirs.items():
            if key in ours and isinstance(value, dict):
                yield from tables_of(value, ours[key], (*path, key))
            else:
                yield path, {key: value}, ours, ()
    else:
        yield path, theirs, ours, ()


def expected(
    path: Path, value: Any, ours: Mapping[str, Any] | None
) -> tuple[Mapping[str, Any], tuple[str, ...]]:
    """Return what an entry that may be new is held against, and the keys it can't go without."""
    if path[0] == "varieties":
        return VARIETY, () if ours else tuple(VARIETY)
    if path[1] == "locus":
        return LOCUS | LOCUS_MORE | dict(ours or {}), () if ours else tuple(LOCUS)
    if ours:
        return {"loci": [], "recombination": [], "cock": [], "hen": [], **ours}, ()
    sexes = isinstance(value, dict) and ("cock" in value or "hen" in value)
    needed = SEXES if sexes else LINKED
    return {"coincidence": 0.0} | {key: [] for key in needed}, needed


def first_mistake(table: str, theirs: Mapping[str, Any], ours: Mapping[str, Any]) -> Mistake | None:
    """Return the first thing that is wrong with a user's table, None if nothing is."""
    for path, value, held, needed in tables_of(theirs, ours, (table,)):
        for fixed in FIXED:
            if fixed[:-1] == path and fixed[-1] in value:
                return Mistake(fixed, "fixed_key", {})
        try:
            shape(path, held, needed).model_validate(value)
        except ValidationError as error:
            return told(error.errors(include_url=False)[0], path, value, held, needed)
        if path[:2] == ("loci", "linkage"):
            for key in needed[1:]:
                gaps = len(value["loci"]) - 1
                if len(value[key]) != gaps:
                    number = {"number": gaps + 1, "needed": gaps, "given": len(value[key])}
                    return Mistake((*path, key), "fractions_expected_here", number)
    return None


def told(
    error: ErrorDetails, path: Path, value: Any, held: Mapping[str, Any], needed: tuple[str, ...]
) -> Mistake:
    """Return pydantic's error as one of ours."""
    keys: list[str] = []
    example: Any = held
    for part in error["loc"]:
        if isinstance(part, int):  # within a list, which is told as a whole
            break
        keys.append(part)
        known = tuple(example) if isinstance(example, Mapping) else ()
        example = example.get(part) if isinstance(example, Mapping) else None
    here = (*path, *keys)
    if error["type"] == "missing":
        return Mistake(here[:-1], "key_missing", {"missing": here[-1], "needed": needed})
    if error["type"] == "extra_forbidden":
        return Mistake(here, "unknown_key", {"known": known})
    if error["type"] == "literal_error":
        return Mistake(here, "none_of", {"value": error["input"], "known": DOMINANCE})
    if error["type"].endswith("_type"):
        given = value
        for key in keys:
            given = given[key]
        if is_fraction(here):
            return Mistake(here, "not_fractions", {"value": given})
        number = isinstance(example, int | float)
        kind = "number" if number else type(example).__name__
        return Mistake(here, "other_kind", {"value": given, "kind": kind, "example": example})
    # A single number as it was written, 80 and not 80.0.
    values = {
        k: error["input"] if k in ("value", "fraction") else v
        for k, v in error["ctx"]["values"].items()
    }
    return Mistake(here, error["ctx"]["code"], values)
