"""What the reader makes of a photo."""

from __future__ import annotations

from typing import Literal

from service.shapes.base import Chance, Chances, Code, Sentence, Shape

Pile = Literal["settled", "second_look", "new_photo"]


class Head(Shape):
    """Where the head is, in pixels of the upright photo."""

    box: tuple[float, float, float, float]
    """Left, top, right, bottom."""
    source: Literal["found", "given", "whole"]
    score: Chance
    """How surely a head was found there."""


class Wattles(Shape):
    """The wattles' size, where it can be told."""

    size: Literal["small", "medium", "large"] | None
    why_not: str | None


class Measures(Shape):
    """What else was measured on the photo."""

    young: Chance
    frontal: Chance
    mistake: Chance | None
    """Chance that the reading is wrong, by the model of mistakes."""
    wattle_share: float | None
    """The wattles' area over the head's."""
    wattle_share_90: tuple[float, float] | None
    doubt_codes: list[Code]


class Reading(Shape):
    """One look of the reader at one photo."""

    photo: str
    ok: Literal[True]
    head: Head
    comb: Chances
    """By comb; the six sum to 1."""
    none_of_these: Chance
    """Chance that it is none of the six: V comb, trimmed, no head."""
    proposal: str | None
    """Null where the honest answer is that it can't be told."""
    confidence: Chance
    plausible: list[str]
    """Combs that hold the true one at least 90 times in 100."""
    crest: Chance
    beard: Chance
    wattles: Wattles
    doubts: list[str]
    pile: Pile
    model: str
    """Weights that read it."""
    measures: Measures


class Unread(Shape):
    """A photo that couldn't be read."""

    photo: str
    ok: Literal[False]
    error: str
    error_code: Code


class Look(Shape):
    """What a person saw on a photo."""

    by: str
    comb: str
    blind: bool
    """Without having seen another reading."""


class Photo(Shape):
    """A photo on record with its reading and what people saw."""

    sha256: str
    name: str
    bird: str
    """Band, empty if not known."""
    pile: str
    """Empty while it waits to be read."""
    proposal: str | None
    confidence: Chance
    doubts: list[Sentence]
    reading: Reading | None
    people: list[Look]


class Sorting(Shape):
    """How far the sorting is, and a pile's photos, worst risk first."""

    photos: int
    read: int
    looked_at: int
    open: dict[str, int]
    """By pile, photos that nobody has looked at."""
    pile: list[Photo]


class Piles(Shape):
    """A batch sorted: how many photos lie on each pile, and where the report is."""

    settled: int
    second_look: int
    new_photo: int
    unreadable: int
    report: str


class Plan(Shape):
    """What a reading of many photos does, as `_plan.json` beside its files holds it."""

    photos: int
    digest: str
    """SHA-256 over their names, sizes and times."""
    part: int
    """Photos in a file."""
    model: str
    language: str


class ReadMany(Shape):
    """What came of photos read into Parquet files."""

    folder: str
    photos: int
    unread: int
    parts: int
    """Files."""
    parts_before: int
    """Files that an earlier run of the same had written."""


class Taken(Shape):
    """What came of one file that was to be taken in."""

    name: str
    state: str
    sha256: str
    message: str
    band: str
    like: str
    """SHA-256 of an earlier photo that is a near-duplicate."""
