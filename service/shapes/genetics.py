"""Genotype candidates, crosses, test matings, counts and plans."""

from __future__ import annotations

from service.shapes.base import Chance, Chances, Code, Shape


class LedgerLine(Shape):
    """A piece of evidence with its weight."""

    evidence: str
    says: str
    likelihood_ratio: float
    """What it does to the odds of the likeliest genotype against all others."""
    with_over_without: float
    """How likely it was, over a piece that says nothing; below 1 it came as a surprise."""


class LineCodes(Shape):
    """A ledger line as data."""

    evidence: Code
    says: Code


class CandidateCodes(Shape):
    """The sentences of candidates as data, in the same order."""

    conflict: Code | None
    ledger: list[LineCodes]


class Candidates(Shape):
    """What a bird can be, by all that is known of it and of its relatives."""

    bird: str
    genotypes: Chances
    combs: Chances
    conflict: str | None
    ledger: list[LedgerLine]
    crest: Chances
    beard: Chances
    variety: str
    method: str
    """'exact', or 'approximate' with the two fields below."""
    standard_error: float | None = None
    converged: bool | None = None
    with_crest: Chances | None = None
    """By genotype at R, P and crest, where the comb read couples them."""
    parents: dict[str, Chances] | None = None
    """Where sire or dam is one of several: the chance of each."""
    codes: CandidateCodes


class Written(Shape):
    """A file of answers."""

    file: str
    birds: int


class Offspring(Shape):
    """One genotype among the chicks."""

    genotype: str
    probability: Chance
    comb: str | None
    shows: list[str] | None = None
    """What else it shows."""
    hatches: bool | None = None
    """False if it dies in the egg."""


class Gamete(Shape):
    """What a parent passes on."""

    alleles: str
    probability: Chance


class Cell(Shape):
    """A field of the Punnett grid."""

    genotype: str
    probability: Chance
    comb: str | None


class Grid(Shape):
    """The Punnett grid, the cock's gametes down."""

    sire: list[Gamete]
    dam: list[Gamete]
    cells: list[list[Cell]]


class Share(Shape):
    """A genotype and its share."""

    genotype: str
    probability: Chance


class Part(Shape):
    """A linkage group: who is crossed there and what comes of it."""

    loci: list[str]
    sire: str
    dam: str
    chicks: list[Share]


class Product(Shape):
    """Shares multiplied to the share of a comb."""

    result: str
    factors: list[Share]
    probability: Chance


class Working(Shape):
    """The multiplication method."""

    parts: list[Part]
    products: list[Product]
    lost: list[Share]


class Cross(Shape):
    """What a mating gives."""

    offspring: list[Offspring]
    combs: Chances
    lost: Chance | None = None
    """Share of the embryos that die."""
    phase_unknown: list[str] | None = None
    """Parents of whom it wasn't written which alleles lie on one chromosome."""
    grid: Grid | None = None
    working: Working | None = None


class ScoredChick(Shape):
    """Where a test mating stands after a chick."""

    chick: int
    comb: str
    carrier: Chance


class Tester(Shape):
    """A mate at hand for a test."""

    bird: str
    telling_chick: Chance


class MatingTest(Shape):
    """How many chicks and eggs a test mating takes, and where it stands."""

    bird: str
    asked: str
    """R or P: which recessive may be hidden; or a wanted genotype."""
    caution: str
    mate: str
    carrier_before: Chance
    telling_chick: Chance
    """Chance that one chick of a carrier tells."""
    certainty: Chance
    chicks: int
    eggs: int
    expected_chicks: float
    carrier_if_none_tells: Chance
    scored: dict[str, int]
    carrier_now: Chance | None
    chick_by_chick: list[ScoredChick]
    genotypes_now: Chances | None
    testers: list[Tester] | None = None


class CountedClass(Shape):
    """Chicks of one comb."""

    comb: str
    observed: int
    expected: float


class ParentPair(Shape):
    """Parents that the counts speak for."""

    sire: str
    dam: str
    probability: Chance


class Counts(Shape):
    """Whether parents can have thrown the chicks counted."""

    caution: str
    sire: str
    dam: str
    classes: list[CountedClass]
    method: str
    p_value: Chance
    verdict: str
    verdict_code: Code
    better_parents: list[ParentPair]


class Planned(Shape):
    """A pair or a pen for next season."""

    sire: str
    dam: str | None = None
    """Of a pair."""
    dams: list[str] | None = None
    """Of a pen."""
    keepers: Chance
    """Share of the chicks that are wanted."""
    walnut: Chance
    single: Chance
    true_breeding: Chance
    """Share that is R/R P/P."""
    inbreeding: Chance
    """Of the chicks (Wright's F); in a pen the mean over its hens."""
    most_inbred: Chance | None = None
    """Of a pen, the chicks of the hen that is nearest kin."""
    eggs: int | None
    """Null if no number would do."""
    eggs_if_less_fertile: int | None
    caution: str | None = None
    """Of a pair."""
    cautions: list[str] | None = None
    """Of a pen."""
    caution_codes: list[Code]
    approximate: str


class Season(Shape):
    """Where a way stands after a season."""

    number: int
    proven: Chance
    eggs: tuple[float, ...]


class Strategy(Shape):
    """A way to a proven true-breeding pair, simulated."""

    name: str
    words: str
    proven: Chance
    truly_pure: Chance | None
    seasons: tuple[float, ...] | None
    eggs: tuple[float, ...] | None
    birds_reared: float | None
    inbreeding: float | None
    variety: float | None
    course: list[Season]


class Strategies(Shape):
    """Ways to a proven true-breeding pair, side by side."""

    strategies: list[Strategy]
    cheapest: str | None
