"""Test matings: does a bird carry the hidden recessive, and how many chicks will tell?

The question is asked at one locus: is the bird homozygous for the dominant allele, or does it
carry the recessive one? A chick is telling if it shows a comb that a chick of a non-carrier with
the same mate can't show.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, log

import numpy as np
from scipy.stats import binom

from genetics.combs import CLASSES, Array, comb_given_genotype, shown, tables
from genetics.cross import transmission
from genetics.evidence import SAID
from genetics.genotype import DOSES, NAMES

LOCI = {"R": 0, "P": 1}
MOST_CHICKS = 500


class TestMatingError(ValueError):
    """A test mating that can't be planned; the message says why."""

    __test__ = False  # not a test case, whatever pytest makes of the name


@dataclass(frozen=True)
class Question:
    """Carrier or not at a locus: masks (9,) over the subject's genotypes."""

    locus: str
    carrier: Array
    pure: Array


def question(locus: str) -> Question:
    """The question at 'R' or 'P'; TestMatingError for another locus."""
    if locus not in LOCI:
        raise TestMatingError(f"unknown locus {locus!r}; use R or P")
    copies = np.array([d[LOCI[locus]] for d in DOSES])
    return Question(locus, (copies == 1).astype(float), (copies == 2).astype(float))


def chicks_of(mate: Array) -> Array:
    """Chicks' genotypes by the subject's: array (9, 9), for a mate with probabilities (9,)."""
    return np.einsum("sdc,d->sc", transmission(), mate)


def telling_chance(subject: int, mate: int, locus: str) -> float:
    """Chance that one chick gives the carrier away.

    `subject` is a carrier's genotype (0..8); the non-carrier it is told from has the same
    alleles at the other locus.
    """
    other = list(DOSES[subject])
    if other[LOCI[locus]] != 1:
        raise TestMatingError(f"{NAMES[subject]} is no carrier at {locus}")
    other[LOCI[locus]] = 2
    pure = DOSES.index((other[0], other[1]))
    inherit = transmission()
    innocent = {shown(c) for c in range(9) if inherit[pure, mate, c] > 0}
    return float(sum(inherit[subject, mate, c] for c in range(9) if shown(c) not in innocent))


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
        raise TestMatingError(f"certainty {certainty} must lie between 0 and 1")
    if chance <= 0:
        raise TestMatingError("no chick of this mating can tell: choose another mate")
    if chance >= 1:
        return 1
    return ceil(log(1 - certainty) / log(1 - chance) - 1e-12)


def eggs_needed(chicks: int, rates: tuple[float, float, float], certainty: float) -> int:
    """Fewest eggs that leave at least `chicks` scored chicks with a chance of `certainty`.

    `rates` are fertility, hatchability and livability, each above 0 and at most 1.
    """
    for name, rate in zip(("fertility", "hatch", "rearing"), rates, strict=True):
        if not 0 < rate <= 1:
            raise TestMatingError(f"{name} {rate} must be above 0 and at most 1")
    if not 0 < certainty < 1:
        raise TestMatingError(f"certainty {certainty} must lie between 0 and 1")
    each = float(np.prod(rates))
    eggs = chicks
    while binom.sf(chicks - 1, eggs, each) < certainty:
        eggs += 1
    return eggs


def seen_given_subject(mate: Array) -> Array:
    """Chance of each comb as a person writes it down, by the subject's genotype (9, 6).

    With the leaks of the comb table, and misreads as `combs.toml` has them.
    """
    slip = float(tables()["person"]["slip"])
    combs = chicks_of(mate) @ comb_given_genotype(False)
    return combs * (1 - slip) + (1 - combs) * slip / (len(CLASSES) - 1)


def after_scoring(prior: Array, mate: Array, counts: Mapping[str, int]) -> Array:
    """Probabilities of the subject's genotypes (9,) after chicks were scored, misreads allowed.

    `prior` and `mate` are probabilities (9,); `counts` chicks by comb word.
    """
    table = seen_given_subject(mate)
    logs = np.log(np.maximum(np.asarray(prior, float), 1e-300))
    for word, count in counts.items():
        if word not in SAID:
            raise TestMatingError(f"unknown comb {word!r}; use one of {', '.join(SAID)}")
        if count < 0 or count != int(count):
            raise TestMatingError(f"{word}: {count} is no count of chicks")
        share = table[:, [CLASSES.index(c) for c in SAID[word]]].sum(1)
        logs = logs + count * np.log(share)
    weights = np.exp(logs - logs.max()) * (np.asarray(prior) > 0)
    return np.asarray(weights / weights.sum())


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
    mate: int,
    locus: str,
    certainty: float,
    rates: tuple[float, float, float],
    egg_certainty: float = 0.9,
) -> Plan:
    """Work out a test mating for a bird with probabilities (9,) and a mate of known genotype.

    Raises TestMatingError if the bird can't be a carrier or no chick could tell.
    """
    asked = question(locus)
    chance = np.asarray(prior, float)
    carrier, pure = chance * asked.carrier, chance * asked.pure
    if carrier.sum() + pure.sum() <= 0:
        raise TestMatingError(f"the bird has no {locus}: there is nothing to test at this locus")
    if carrier.sum() <= 0:
        raise TestMatingError(f"by its records the bird can't carry the recessive of {locus}")
    each = {int(g): telling_chance(int(g), mate, locus) for g in np.flatnonzero(carrier)}
    # The slowest carrier sets the number of chicks: nobody knows which one it is.
    chicks = chicks_needed(min(each.values()), certainty)
    if chicks > MOST_CHICKS:
        raise TestMatingError(f"{chicks} chicks would be needed: choose another mate")
    weights = carrier / (carrier.sum() + pure.sum())
    silent = sum(weights[g] * unseen(q, chicks) for g, q in each.items())
    waiting = sum(weights[g] * (1 - unseen(q, chicks)) / q for g, q in each.items())
    before = float(weights.sum())
    return Plan(
        locus=locus,
        mate=NAMES[mate],
        carrier_before=before,
        telling=float(sum(weights[g] * q for g, q in each.items()) / before),
        chicks=chicks,
        eggs=eggs_needed(chicks, rates, egg_certainty),
        expected_chicks=float(waiting + (1 - before) * chicks),
        carrier_if_none=float(silent / (silent + 1 - before)),
    )


def best_testers(prior: Array, mates: Mapping[str, Array], locus: str) -> list[tuple[str, float]]:
    """Birds at hand as testers, the best first, by the mean chance that a carrier's chick tells.

    `mates` are probabilities (9,) by band; a mate whose own genotype is open counts by its mean.
    """
    carrier = np.asarray(prior, float) * question(locus).carrier
    if carrier.sum() <= 0:
        raise TestMatingError(f"by its records the bird can't carry the recessive of {locus}")
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
