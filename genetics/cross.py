"""What a mating gives: exact probabilities of the chicks' genotypes and combs."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cache

import numpy as np
from numpy.typing import NDArray

from genetics.combs import shown
from genetics.genotype import DOSES, NAMES, index_of


@dataclass(frozen=True)
class Offspring:
    """A genotype among the chicks, how often, and the comb it shows without a crest."""

    genotype: str
    probability: Fraction
    comb: str


@dataclass(frozen=True)
class Cross:
    """All genotypes and combs that a mating gives, the likeliest first."""

    offspring: tuple[Offspring, ...]
    combs: dict[str, Fraction]


def passed_on(copies: int) -> Fraction:
    """Chance that a gamete carries the dominant allele (Mendel's first law)."""
    return Fraction(copies, 2)


def locus_offspring(a: int, b: int) -> dict[int, Fraction]:
    """Copies of the dominant allele in a chick at one locus, by those of its parents."""
    x, y = passed_on(a), passed_on(b)
    both = {2: x * y, 1: x * (1 - y) + (1 - x) * y, 0: (1 - x) * (1 - y)}
    return {copies: p for copies, p in both.items() if p}


def cross(sire: str, dam: str) -> Cross:
    """Cross two known genotypes; the loci assort independently (chromosomes 7 and 1).

    >>> cross('R/R P/P', 'r+/r+ p+/p+').combs
    {'walnut': Fraction(1, 1)}

    Raises GenotypeError if a genotype can't be read or has an unknown allele.
    """
    parents = [DOSES[index_of(text)] for text in (sire, dam)]
    rose = locus_offspring(parents[0][0], parents[1][0])
    pea = locus_offspring(parents[0][1], parents[1][1])
    rows = [
        Offspring(NAMES[i], rose[r] * pea[p], shown(i))
        for i, (r, p) in enumerate(DOSES)
        if r in rose and p in pea
    ]
    rows.sort(key=lambda row: (-row.probability, NAMES.index(row.genotype)))
    combs: dict[str, Fraction] = {}
    for row in rows:
        combs[row.comb] = combs.get(row.comb, Fraction(0)) + row.probability
    return Cross(tuple(rows), dict(sorted(combs.items(), key=lambda item: (-item[1], item[0]))))


@cache
def transmission() -> NDArray[np.float64]:
    """Probability of a chick's genotype by its parents': array (sire 9, dam 9, chick 9)."""
    table = np.zeros((9, 9, 9))
    for s, sire in enumerate(DOSES):
        for d, dam in enumerate(DOSES):
            rose, pea = locus_offspring(sire[0], dam[0]), locus_offspring(sire[1], dam[1])
            for c, (r, p) in enumerate(DOSES):
                table[s, d, c] = float(rose.get(r, Fraction(0)) * pea.get(p, Fraction(0)))
    table.setflags(write=False)
    return table
