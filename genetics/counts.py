"""Counts of chicks against what their parents should throw.

Chi-square where every class has 5 expected (Cochran's rule), else an exact multinomial test.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import comb as choose

import numpy as np
from scipy.special import chdtrc, gammaln

from genetics.combs import CLASSES, Array, penetrance
from genetics.cross import cross, transmission
from genetics.errors import GeneticsError
from genetics.evidence import SAID, with_observer_errors
from genetics.genotype import NAMES
from genetics.messages import Message

LEAST_EXPECTED = 5.0
MOST_OUTCOMES = 2_000_000


class CountError(GeneticsError):
    """Counts that can't be tested; the message names the comb."""


@dataclass(frozen=True)
class Fit:
    """How well counts fit a mating."""

    classes: tuple[str, ...]
    observed: tuple[int, ...]
    expected: tuple[float, ...]
    method: str
    """'chi-square', 'exact multinomial', 'impossible' or 'certain' (only one class can occur)."""
    p_value: float

    @property
    def verdict(self) -> Message:
        """Whether these parents can have thrown these chicks."""
        if self.method == "impossible":
            strange = tuple(
                Message("chicks_of_comb", chicks=seen, comb=name)
                for name, seen, due in zip(self.classes, self.observed, self.expected, strict=True)
                if seen and due == 0
            )
            return Message("counts_impossible", chicks=strange)
        if self.p_value < 0.01:
            return Message("counts_rare")
        return Message("counts_poor" if self.p_value < 0.05 else "counts_fit")


def expected_shares(sire: str, dam: str, words: tuple[str, ...]) -> dict[str, Fraction]:
    """Chance of each comb word among the chicks; GenotypeError for an open allele."""
    combs = cross(sire, dam).combs
    return {w: Fraction(sum(combs.get(c, 0) for c in SAID[w])) for w in words}


def check_counts(counts: Mapping[str, int]) -> dict[str, int]:
    """Return counts by comb word; CountError for unknown, negative or doubly told ones.

    A crest-folded single counts as single: it is the same genotype at both loci.
    """
    tidy: dict[str, int] = {}
    for word, count in counts.items():
        if word not in SAID:
            raise CountError("unknown_comb", comb=word, known=tuple(SAID))
        if isinstance(count, bool) or count != int(count) or count < 0:
            raise CountError("not_a_count", comb=word, count=count)
        name = "single" if word == "crest_folded_single" else word
        tidy[name] = tidy.get(name, 0) + int(count)
    if "pea" in tidy and ("single_blade_pea" in tidy or "triple_pea" in tidy):
        raise CountError("pea_counted_twice")
    if sum(tidy.values()) == 0:
        raise CountError("no_chicks_counted")
    return tidy


def words_for(counts: Mapping[str, int]) -> tuple[str, ...]:
    """Return the comb words that share all chicks out, in the order of the comb table."""
    apart = [c for c in CLASSES if c != "crest_folded_single"]
    if "pea" in counts:
        apart = [c for c in apart if not c.endswith("_pea")]
        apart.insert(2, "pea")
    return tuple(apart)


def fit(sire: str, dam: str, counts: Mapping[str, int]) -> Fit:
    """Test counts by comb word against the mating of two known genotypes.

    >>> round(fit('R/r+ P/p+', 'r+/r+ p+/p+', {'single': 5, 'rose': 5}).p_value, 4)
    0.0069
    """
    seen = check_counts(counts)
    words = words_for(seen)
    shares = expected_shares(sire, dam, words)
    total = sum(seen.values())
    possible = [w for w in words if shares[w] > 0]
    strange = [w for w in words if shares[w] == 0 and seen.get(w, 0) > 0]
    classes = tuple(possible + strange)
    observed = tuple(seen.get(w, 0) for w in classes)
    expected = tuple(float(shares[w]) * total for w in classes)
    if strange:
        return Fit(classes, observed, expected, "impossible", 0.0)
    if len(possible) == 1:
        return Fit(classes, observed, expected, "certain", 1.0)
    o, e = np.array(observed, float), np.array(expected)
    if e.min() >= LEAST_EXPECTED or outcomes(total, len(classes)) > MOST_OUTCOMES:
        p = float(chdtrc(len(classes) - 1, ((o - e) ** 2 / e).sum()))
        return Fit(classes, observed, expected, "chi-square", p)
    return Fit(classes, observed, expected, "exact multinomial", exact(o, e / total))


def outcomes(total: int, classes: int) -> int:
    """Return number of ways to share `total` chicks among classes."""
    return choose(total + classes - 1, classes - 1)


def exact(observed: Array, shares: Array) -> float:
    """Exact multinomial test: the chance of an outcome no likelier than the observed one."""
    total = int(observed.sum())
    grid = np.zeros((1, 0), np.int64)
    left = np.array([total])
    for _ in range(len(shares) - 1):
        # Each partial outcome goes on with 0 .. what is left.
        repeats = left + 1
        start = np.repeat(np.cumsum(repeats) - repeats, repeats)
        here = np.arange(repeats.sum()) - start
        grid = np.column_stack([np.repeat(grid, repeats, axis=0), here])
        left = np.repeat(left, repeats) - here
    grid = np.column_stack([grid, left])
    logs = gammaln(total + 1) - gammaln(grid + 1).sum(1) + grid @ np.log(shares)
    mine = gammaln(total + 1) - gammaln(observed + 1).sum() + observed @ np.log(shares)
    return float(min(1.0, np.exp(logs[logs <= mine + 1e-9]).sum()))


@dataclass(frozen=True)
class Pair:
    """Parents' genotypes and how probable they are after the counts."""

    sire: str
    dam: str
    probability: float


def better_parents(counts: Mapping[str, int], sire: Array, dam: Array, most: int = 5) -> list[Pair]:
    """Pairs of genotypes that explain the counts, by posterior probability.

    `sire` and `dam` are probabilities of the nine genotypes (9,) before the counts. A comb may have
    been misread, and leak as the comb table has it: one odd chick of a hundred changes little.
    """
    with np.errstate(divide="ignore"):
        scores = np.log(np.outer(sire, dam)) + log_likelihood_of_counts(counts)
    chances = np.exp(scores - scores.max())
    chances = chances / chances.sum()
    best = np.argsort(-chances, axis=None, kind="stable")[:most]
    return [
        Pair(NAMES[i], NAMES[j], float(chances[i, j]))
        for i, j in zip(*np.unravel_index(best, chances.shape), strict=True)
        if chances[i, j] > 0
    ]


def mating_likelihood(counts: Mapping[str, int]) -> Array:
    """Chicks counted by comb, without bands, as a likelihood (9, 9) of sire's and dam's genotypes.

    With the leaks of the comb table and the misreads of a person; scaled so that the largest is 1.
    Raises CountError for counts that make no sense.
    """
    logs = log_likelihood_of_counts(counts)
    return np.asarray(np.exp(logs - logs.max()))


def log_likelihood_of_counts(counts: Mapping[str, int]) -> Array:
    """Logarithm (9, 9) of the chance of the chicks' combs as written down. Raises CountError."""
    seen = check_counts(counts)
    shown_by = penetrance(False)
    # A crest-folded single counts as single.
    apart = [CLASSES.index(c) for c in CLASSES if c != "crest_folded_single"]
    told = shown_by[:, apart]
    told[:, 0] += shown_by[:, CLASSES.index("crest_folded_single")]
    told = with_observer_errors(told)
    names = [CLASSES[i] for i in apart]
    logs = np.zeros((len(NAMES), len(NAMES)))
    for word, count in seen.items():
        columns = [names.index(c) for c in SAID[word]]
        logs += count * np.log(transmission() @ told[:, columns].sum(1))
    return logs
