"""The second opinion on a bird, and the report of a hatch."""

from __future__ import annotations

from datetime import date
from typing import Any

from service.shapes.base import Chance, Chances, Code, Sentence, Shape
from service.shapes.genetics import Candidates
from service.shapes.readings import Look, Photo, Reading


class HeldOut(Shape):
    """How often readings like this one were wrong on photographs nothing was trained on."""

    like: str
    wrong: int
    of: int
    low: Chance
    high: Chance
    in_hundred: int


class PhotoSeen(Shape):
    """A photo as the opinion takes it."""

    sha256: str
    name: str
    counted: bool
    """False if it is a near-duplicate of an earlier one."""
    reading: Reading | None
    could_also_be: list[str]
    people: list[Look]


class Brood(Shape):
    """What a mating would give."""

    mate: str
    combs: Chances
    true_breeding: Chance
    single: Chance


class Step(Shape):
    """Something that would tell more about a bird."""

    kind: str
    says: str
    minutes: int
    weeks: int
    eggs: int
    locus: str
    mate: str
    gain: float | None = None
    """What knowing more is worth, over what it costs; null where it isn't worked out."""
    cost: float | None = None
    codes: Code | None = None


class RuleOfTwo(Shape):
    """Whether two independent witnesses agree."""

    met: bool
    by: list[str]
    missing: list[str]


class Decided(Shape):
    """A decision of the keeper."""

    made: str
    by: str
    choice: str
    reason: str
    recheck: date | None


class Opinion(Shape):
    """All that is known of a bird, what isn't, and what would settle it."""

    bird: str
    sex: str
    hatched: date | None
    sire: str
    dam: str
    on: date
    model: str
    pile: str
    proposal: str | None
    confidence: Chance
    reasons: list[str]
    settled_by: list[str]
    held_out_readings_like_this: HeldOut | None
    photos: list[PhotoSeen]
    candidates: Candidates
    combs_told: Chances
    """Blade and triple pea as one where the evidence can't tell them apart."""
    mating: Brood | None
    not_known: list[str]
    would_settle: list[Step]
    best_next_step: str | None
    rule_of_two: RuleOfTwo
    cautions: list[str]
    decisions: list[Decided]
    standing: list[str]
    """What is said below every opinion: it is evidence, no verdict."""
    codes: dict[str, Any]
    """The sentences as data, under the same names."""


class Bird(Candidates):
    """A bird's candidates, photos, and what would settle it, the cheapest step first."""

    pile: str | None
    reasons: list[Sentence]
    photos: list[Photo]
    would_settle: list[Step]


class LookAgain(Shape):
    """When to look at a bird again."""

    bird: str
    on: date
    why: str


class GrowOut(Shape):
    """The report of a hatch."""

    hatch: str
    on: date
    piles: dict[str, list[str]]
    """Bands by pile."""
    seen: dict[str, float]
    """Chicks by comb, as they were read."""
    expected: dict[str, float]
    """Chicks by comb, from their parents."""
    look_again: list[LookAgain]
