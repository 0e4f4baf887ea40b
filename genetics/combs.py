"""What comb a genotype shows: the textbook's answer, and a table with small leaks."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from genetics.domain import toml
from genetics.genotype import DOSES, NAMES, possible

Array = NDArray[np.float64]


def tables() -> dict[str, Any]:
    """The numbers of `combs.toml`, most of them assumptions."""
    return toml("combs")


CLASSES: tuple[str, ...] = tuple(tables()["classes"])


def pattern_of(index: int) -> str:
    """The row of `combs.toml` that holds a genotype."""
    return next(p for p in tables()["shown"] if index in possible(p))


def shown(index: int) -> str:
    """The comb that a genotype (0..8) shows by the textbook, in a bird without a crest."""
    return str(tables()["shown"][pattern_of(index)])


def comb_given_genotype(crest: bool | None) -> Array:
    """Probability of each comb by genotype, array (9, 6); rows sum to 1.

    A crest folds a share of the single combs; `None` means that nobody knows of a crest.
    """
    numbers = tables()
    table = np.array([numbers["leaks"][pattern_of(i)] for i in range(len(NAMES))], float)
    share = float(numbers["crest"]["folds"])
    chance = {True: 1.0, False: 0.0, None: float(numbers["crest"]["unknown_crest"])}[crest]
    moved = table[:, 0] * share * chance
    table[:, 0] -= moved
    table[:, 1] += moved
    assert np.allclose(table.sum(1), 1, atol=1e-12)
    return table


def founder_prior() -> Array:
    """Probability of the nine genotypes in a founder (9,): Hardy-Weinberg at both loci."""
    frequencies = tables()["founders"]

    def at(p: float) -> dict[int, float]:
        return {2: p * p, 1: 2 * p * (1 - p), 0: (1 - p) ** 2}

    rose, pea = at(float(frequencies["R"])), at(float(frequencies["P"]))
    return np.array([rose[r] * pea[p] for r, p in DOSES])
