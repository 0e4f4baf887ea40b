"""What comb a genotype shows: the textbook's answer, and a table with small leaks."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from genetics.genotype import NAMES, possible
from genetics.numbers import derived, toml

Array = NDArray[np.float64]


def tables() -> dict[str, Any]:
    """Return the numbers of `combs.toml`, most of them assumptions."""
    return toml("combs")


CLASSES: tuple[str, ...] = tuple(tables()["classes"])


def pattern_of(index: int) -> str:
    """Return the row of `combs.toml` that holds a genotype."""
    return next(p for p in tables()["shown"] if index in possible(p))


def textbook_comb(index: int) -> str:
    """Return the comb that a genotype (0..8) shows by the textbook, in a bird without a crest."""
    return str(tables()["shown"][pattern_of(index)])


@derived
def bare_headed() -> Array:
    """Probability of each comb by genotype in birds without a crest, (9, 6); don't write to it."""
    table = np.array([tables()["leaks"][pattern_of(i)] for i in range(len(NAMES))], float)
    assert np.allclose(table.sum(1), 1, atol=1e-12)
    table.flags.writeable = False
    return table


def penetrance(crest: bool | float | None) -> Array:
    """Probability of each comb by genotype, array (9, 6); rows sum to 1.

    A crest folds a share of the single combs. `crest` is whether there is one, or the chance of
    it; `None` means that nobody knows.
    """
    return crested_or_bare(crest).copy() if isinstance(crest, bool) else mixed(crest)


@derived
def crested_or_bare(crest: bool) -> Array:
    """Return the table of birds with or without a crest, (9, 6); don't write to it."""
    return mixed(crest)


def mixed(crest: bool | float | None) -> Array:
    """Return the table for a chance of a crest, (9, 6)."""
    numbers = tables()
    table = bare_headed().copy()
    share = float(numbers["crest"]["folds"])
    chance = float(numbers["crest"]["unknown_crest"]) if crest is None else float(crest)
    moved = table[:, 0] * share * chance
    table[:, 0] -= moved
    table[:, 1] += moved
    return table


def varieties() -> dict[str, Any]:
    """Allele frequencies by variety, from `varieties.toml`; each an assumption."""
    return toml("varieties")


def hardy_weinberg(symbol: str, variety: str = "unknown") -> Array:
    """Probability of 2, 1 and 0 copies of a locus' dominant allele in a founder (3,)."""
    p = float(varieties()[variety][symbol])
    return np.array([p * p, 2 * p * (1 - p), (1 - p) ** 2])


def founder_prior(variety: str = "unknown") -> Array:
    """Probability of the nine genotypes in a founder (9,): Hardy-Weinberg at both loci.

    Raises KeyError for a variety that `varieties.toml` doesn't have.
    """
    return np.outer(hardy_weinberg("R", variety), hardy_weinberg("P", variety)).ravel()
