"""Birds, pens, hatches, the trail, and the upkeep of records."""

from __future__ import annotations

from datetime import date
from typing import Any

from service.shapes.base import Chance, Code, Sentence, Shape


class BirdRow(Shape):
    """A bird as it stands on the list."""

    bird: str
    sire: str
    dam: str
    sex: str
    hatched: date | None
    comb: str


class Pen(Shape):
    """A pen's birds, and the share of single-combed chicks that its eggs will give."""

    id: int
    name: str
    cocks: list[str]
    hens: list[str]
    single: Chance | None
    """Null without a cock and a hen."""
    most: float
    """The share if the birds are the worst that they may well be."""


class Hatched(Shape):
    """A hatch's chicks by comb (six, in the order of the combs): seen, and expected."""

    id: int
    name: str
    hatched: date | None
    pen: str
    eggs: int | None
    chicks: int | None
    banded: int
    seen: list[float]
    expected: list[float]


class PensAndHatches(Shape):
    """The flock by pens and hatches."""

    pens: list[Pen]
    hatches: list[Hatched]


class Bin(Shape):
    """A row of a reliability diagram: how sure the reader was, how often it was right."""

    confidence: Chance
    accuracy: Chance
    count: int


class Learned(Shape):
    """A reader that learned from the flock, and its trial on birds that it didn't learn from.

    Where two values stand together the first is the shipped reader's.
    """

    name: str
    better: bool
    """Whether it may be used: see the rule in the documentation."""
    in_use: bool
    against: list[Sentence]
    """What speaks against it; empty if it is better."""
    birds: int
    photos: int
    birds_by_comb: dict[str, int]
    pooled: int
    """Heads of other flocks that it learned from as well."""
    groups: int
    """Hatches or birds, none of which is split."""
    split: str
    """`hatch` or `bird`: what was held out together."""
    strength: float
    """Weight of staying as the shipped reader is."""
    temperature: float
    """By which what it says was made less sure (above 1) or surer."""
    gain: float
    """Mean over held-out birds of what the logarithm of the true comb's chance rose by."""
    chance: Chance
    """How often a gain as high comes by chance."""
    unlinked: Chance
    """How often it would do as well by chance if photos told nothing of combs."""
    balanced_accuracy: list[Chance]
    found: dict[str, list[int]]
    """Held-out heads by comb: found before, found after, of how many."""
    watched: dict[str, list[int]]
    """The same on rendered heads that nobody learned from."""
    reliability: list[list[Bin]]


class Pooled(Shape):
    """A package of heads that a breeder gave to others."""

    name: str
    key: str
    """Fingerprint of who signed it."""
    licence: str
    heads: int
    birds: int
    combs: dict[str, int]
    new: int | None = None
    """Heads that weren't there yet, when it is taken in."""


class TrailAct(Shape):
    """One act on the trail."""

    batch: str
    """The name by which it can be taken back."""
    made: str
    by: str
    act: str
    changes: int
    undone: bool
    codes: Code


class Imported(Shape):
    """What a list brought."""

    birds: int


class BackedUp(Shape):
    """A backup that was written, read back and found right."""

    photos: int
    bytes: int


class Moved(Shape):
    """Photos that were brought back or carried over, with all records."""

    photos: int


class Verified(Shape):
    """Whether anything is missing or damaged."""

    photos: int
    clean: bool
    complaints: list[str]


class TakenBack(Shape):
    """An act that was taken back."""

    rows: int


class Rater(Shape):
    """A person who reads photos blind."""

    name: str
    blind_readings: int
    right: Chance
    """If all combs were alike common."""
    confusion: list[list[Chance]]


class RaterPair(Shape):
    """How far two people agree."""

    people: list[str]
    photos: int
    alike: int
    kappa: float | None
    """Cohen's."""


class Raters(Shape):
    """How far the people who read photos blind agree."""

    people: list[Rater]
    pairs: list[RaterPair]
    alpha: float | None
    """Krippendorff's, of all."""


class Account(Shape):
    """Somebody who may come in."""

    name: str
    role: str
    made: str


class Finding(Shape):
    """Whether one thing of the installation is in order."""

    what: str
    good: bool
    said: str


class Numbers(Shape):
    """The tables of domain numbers, by name; what lies in each is in the reference."""

    loci: dict[str, Any] | None = None
    combs: dict[str, Any] | None = None
    varieties: dict[str, Any] | None = None
    fertility: dict[str, Any] | None = None
    strategy: dict[str, Any] | None = None
    settling: dict[str, Any] | None = None


class Scores(Shape):
    """Figures of the reader by data set."""
