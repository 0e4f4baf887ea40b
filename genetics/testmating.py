"""Test matings: does a bird carry the hidden recessive, and how many chicks will tell?

The question is asked at one locus (is the bird homozygous for the dominant allele, or does it carry
the recessive one?) or of a wanted genotype against all others. A chick is telling if it shows a
comb that a chick of the bird that is hoped for can't show with the same mate.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, log

import numpy as np
from numpy.typing import NDArray
from scipy.stats import nbinom

from genetics.combs import CLASSES, Array, penetrance, textbook_comb
from genetics.cross import transmission
from genetics.errors import GeneticsError
from genetics.evidence import SAID, from_genotype, with_observer_errors
from genetics.genotype import DOSES, NAMES, GenotypeError
from genetics.rates import Rates

LOCI = {"R": 0, "P": 1}
MOST_CHICKS = 500
PEAS = SAID["pea"]


class TestMatingError(GeneticsError):
    """A test mating that can't be planned; the message says why."""

    __test__ = False  # not a test case, whatever pytest makes of the name


@dataclass(frozen=True)
class Question:
    """What is asked of a bird: masks (9,) over its genotypes."""

    asked: str
    """'R' or 'P' for a hidden recessive there, else the wanted genotype as written."""
    carrier: Array
    """Genotypes that the test is to give away."""
    pure: Array
    """Genotypes that are hoped for."""
    innocent: tuple[tuple[int, ...], ...]
    """By genotype, the hoped for ones that it is told from."""


def question(asked: str) -> Question:
    """Carrier or not at 'R' or 'P', or a genotype such as 'R/R P/P' against all others.

    At a locus a carrier is told from the bird that is pure there and the same at the other locus;
    a wanted genotype is told from whatever else the bird may be. Raises TestMatingError.
    """
    if asked in LOCI:
        copies = np.array([d[LOCI[asked]] for d in DOSES])
        innocent = []
        for doses in DOSES:
            twin = list(doses)
            twin[LOCI[asked]] = 2
            innocent.append((DOSES.index((twin[0], twin[1])),))
        carrier, pure = (copies == 1).astype(float), (copies == 2).astype(float)
        return Question(asked, carrier, pure, tuple(innocent))
    try:
        pure = from_genotype(asked)
    except GenotypeError as error:
        raise TestMatingError("unknown_question", asked=asked, reason=error.message) from None
    wanted = tuple(np.flatnonzero(pure).tolist())
    return Question(asked, 1 - pure, pure, (wanted,) * len(DOSES))


def certain(asked: str) -> TestMatingError:
    """Why nothing needs testing."""
    code = "cannot_carry" if asked in LOCI else "is_for_sure"
    return TestMatingError(code, asked=asked)


def telling_chance(subject: int, mate: int, locus: str) -> float:
    """Chance that one chick gives the carrier away.

    `subject` is the genotype (0..8) to give away, `locus` the question as `question` takes it. A
    chick tells if it shows a comb that no chick of the hoped for genotypes and this mate shows.
    """
    asked = question(locus)
    if not asked.carrier[subject]:
        raise TestMatingError("no_carrier", genotype=NAMES[subject], asked=locus)
    inherit = transmission()
    innocent = {
        textbook_comb(c) for p in asked.innocent[subject] for c in range(9) if inherit[p, mate, c]
    }
    tells = [c for c in range(9) if inherit[subject, mate, c] and textbook_comb(c) not in innocent]
    return float(sum(inherit[subject, mate, c] * told_from(c, innocent) for c in tells))


def told_from(genotype: int, innocent: Collection[str]) -> float:
    """Chance that a chick's comb is told from those of the hoped for birds' chicks.

    1 but where only blade against triple pea tells: those are often taken for each other.
    """
    comb = textbook_comb(genotype)
    if comb not in PEAS or not set(PEAS) & set(innocent):
        return 1.0
    read = with_observer_errors(penetrance(False))[genotype]
    return float(read[CLASSES.index(comb)])


def tells_by_peas(subject: int, mate: int, locus: str) -> bool:
    """Whether only blade against triple pea gives the carrier away.

    >>> from genetics.genotype import index_of
    >>> tells_by_peas(index_of("r+/r+ P/p+"), index_of("r+/r+ P/P"), "P")
    True
    """
    asked = question(locus)
    inherit = transmission()
    innocent = {
        textbook_comb(c) for p in asked.innocent[subject] for c in range(9) if inherit[p, mate, c]
    }
    tells = {textbook_comb(c) for c in range(9) if inherit[subject, mate, c]} - innocent
    return bool(tells) and tells <= set(PEAS) and bool(set(PEAS) & innocent)


def unseen(chance: float, chicks: int) -> float:
    """Chance that a carrier shows no telling chick among `chicks`.

    >>> unseen(0.5, 5), round(unseen(0.25, 11), 3)
    (0.03125, 0.042)
    """
    return (1 - chance) ** chicks


def chicks_needed(chance: float, certainty: float) -> int:
    """Fewest chicks so that a carrier goes unseen with a chance of at most 1 - certainty.

    >>> chicks_needed(0.5, 0.95), chicks_needed(0.25, 0.95)
    (5, 11)
    """
    if not 0 < certainty < 1:
        raise TestMatingError("certainty_out_of_range", certainty=certainty)
    if chance <= 0:
        raise TestMatingError("no_chick_tells")
    if chance >= 1:
        return 1
    return ceil(log(1 - certainty) / log(1 - chance) - 1e-12)


def eggs_needed(chicks: int, rates: Rates, certainty: float) -> int:
    """Fewest eggs that leave at least `chicks` scored chicks with a chance of `certainty`.

    Rates are above 0 and at most 1. Raises TestMatingError.
    """
    check_rates(rates, certainty)
    return int(eggs_for_shares(chicks, np.array(rates.scored), certainty))


def eggs_for_shares(chicks: int, shares: Array, certainty: float) -> NDArray[np.int64]:
    """Return the fewest eggs for each share (any shape) of eggs that become a wanted chick.

    Eggs beyond the wanted chicks follow the negative binomial distribution.
    """
    beyond = nbinom.ppf(certainty, chicks, shares)
    return np.asarray(chicks + beyond, np.int64)


def check_rates(rates: Rates, certainty: float) -> None:
    """Raise TestMatingError for rates or a certainty that make no sense."""
    for name, rate in rates._asdict().items():
        if not 0 < rate <= 1:
            raise TestMatingError("rate_out_of_range", name=name, rate=rate)
    if not 0 < certainty < 1:
        raise TestMatingError("certainty_out_of_range", certainty=certainty)


def seen_given_pair() -> Array:
    """Chance of each comb as a person writes it down, by both genotypes (9, 9, 6).

    With the leaks of the comb table, and misreads as `combs.toml` has them.
    """
    return with_observer_errors(transmission() @ penetrance(False))


def after_scoring(prior: Array, mate: Array, counts: Mapping[str, int]) -> Array:
    """Probabilities of the subject's genotypes (9,) after chicks were scored, misreads allowed.

    `prior` and `mate` are probabilities (9,); `counts` chicks by comb word. An open mate is one
    bird for all chicks, so that they tell of it too.
    """
    table = seen_given_pair()
    logs = np.zeros((len(DOSES), len(DOSES)))
    for word, count in counts.items():
        if word not in SAID:
            raise TestMatingError("unknown_comb", comb=word, known=tuple(SAID))
        if count < 0 or count != int(count):
            raise TestMatingError("not_a_count", comb=word, count=count)
        logs += count * np.log(table[:, :, [CLASSES.index(c) for c in SAID[word]]].sum(2))
    weights = np.outer(prior, mate) * np.exp(logs - logs.max())
    if weights.sum() <= 0:
        raise TestMatingError("genotypes_impossible")
    return np.asarray(weights.sum(1) / weights.sum())


@dataclass(frozen=True)
class Score:
    """Where a test stands after a chick."""

    chick: int
    comb: str
    carrier: float
    """Chance that the bird is what the test is to give away, misreads allowed."""


def chick_by_chick(prior: Array, mate: Array, asked: str, combs: Sequence[str]) -> list[Score]:
    """Return the chance of a carrier after each chick in the order in which they were scored.

    `prior` and `mate` are probabilities (9,); `combs` the chicks' comb words.
    """
    masks = question(asked)
    found: list[Score] = []
    for number, comb in enumerate(combs, start=1):
        now = after_scoring(prior, mate, Counter(combs[:number]))
        share = float((now * (masks.carrier + masks.pure)).sum())
        carrier = float((now * masks.carrier).sum()) / share if share > 0 else 0.0
        found.append(Score(number, comb, carrier))
    return found


@dataclass(frozen=True)
class Plan:
    """A test mating worked out."""

    locus: str
    mate: str
    carrier_before: float
    telling: float
    """Chance that one chick of a carrier tells, the likeliest carrier genotypes averaged."""
    chicks: int
    """Chicks that leave the chance of an unseen carrier at most 1 - certainty."""
    eggs: int
    expected_chicks: float
    """Chicks scored on average until it is decided: a telling one, or all of them."""
    carrier_if_none: float
    """Chance that the bird is a carrier if none of the chicks tells."""


def plan(
    prior: Array,
    mate: int | Array,
    locus: str,
    certainty: float,
    rates: Rates,
    egg_certainty: float = 0.9,
) -> Plan:
    """Work out a test mating for a bird with probabilities (9,) and a mate, known (0..8) or
    with probabilities (9,).

    Raises TestMatingError if the bird can't be a carrier or no chick could tell.
    """
    asked = question(locus)
    chance = np.asarray(prior, float)
    carrier, pure = chance * asked.carrier, chance * asked.pure
    if carrier.sum() + pure.sum() <= 0:
        raise TestMatingError("nothing_to_test", asked=locus)
    if carrier.sum() <= 0:
        raise certain(locus)
    if pure.sum() <= 0:
        raise TestMatingError("cannot_be_pure", asked=locus)
    mates = np.eye(len(DOSES))[mate] if isinstance(mate, int) else np.asarray(mate, float)
    weights = carrier / (carrier.sum() + pure.sum())
    birds, partners = np.flatnonzero(carrier), np.flatnonzero(mates)
    tells = np.array([[telling_chance(int(g), int(m), locus) for m in partners] for g in birds])
    likely = mates[partners] / mates[partners].sum()
    chicks = enough(tells, likely, certainty)
    # Chance of no telling chick among the first k, by carrier (k = 0 .. chicks).
    silent = np.array([((1 - tells) ** k) @ likely for k in range(chicks + 1)]) @ weights[birds]
    before = float(weights.sum())
    known = len(partners) == 1
    return Plan(
        locus=locus,
        mate=NAMES[partners[0]] if known else "open",
        carrier_before=before,
        telling=float(weights[birds] @ tells @ likely / before),
        chicks=chicks,
        eggs=eggs_needed(chicks, rates, egg_certainty),
        expected_chicks=float(silent[:-1].sum() + (1 - before) * chicks),
        carrier_if_none=float(silent[-1] / (silent[-1] + 1 - before)),
    )


def enough(tells: Array, likely: Array, certainty: float) -> int:
    """Fewest chicks so that the slowest carrier goes unseen with a chance of 1 - certainty or less.

    `tells` (carriers, mates) are chances that a chick tells, `likely` (mates,) the mate's
    genotypes. Nobody knows which carrier it is, so the slowest one sets the number.
    """
    if not 0 < certainty < 1:
        raise TestMatingError("certainty_out_of_range", certainty=certainty)
    slowest = tells[(tells @ likely).argmin()]
    if len(likely) == 1:
        chicks = chicks_needed(float(slowest[0]), certainty)
    else:
        blind = float(likely @ (slowest <= 0))
        if blind > 1 - certainty:
            raise TestMatingError("mate_may_not_tell", chance=blind)
        left = [float(((1 - tells) ** k @ likely).max()) for k in range(1, MOST_CHICKS + 1)]
        found = [k for k, chance in enumerate(left, start=1) if chance <= 1 - certainty + 1e-12]
        chicks = found[0] if found else MOST_CHICKS + 1
    if chicks > MOST_CHICKS:
        raise TestMatingError("too_many_chicks", chicks=chicks)
    return chicks


def best_testers(prior: Array, mates: Mapping[str, Array], locus: str) -> list[tuple[str, float]]:
    """Birds at hand as testers, the best first, by the mean chance that a carrier's chick tells.

    `mates` are probabilities (9,) by band; a mate whose own genotype is open counts by its mean.
    """
    carrier = np.asarray(prior, float) * question(locus).carrier
    if carrier.sum() <= 0:
        raise certain(locus)
    weights = carrier / carrier.sum()
    scores = {
        band: float(
            sum(
                weights[g] * chance[m] * telling_chance(int(g), int(m), locus)
                for g in np.flatnonzero(weights)
                for m in np.flatnonzero(chance)
            )
        )
        for band, chance in mates.items()
    }
    return sorted(scores.items(), key=lambda item: (-item[1], item[0]))
