"""Gametes of linked loci, with phase; exact in rational arithmetic.

A bird has two haplotypes for each chromosome. Recombination fractions are given between
neighbouring loci, per sex if they differ, with a coefficient of coincidence for neighbouring
intervals: 1 means no interference, 0 that a crossover rules out another one next to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from genetics.errors import GeneticsError

Haplotype = tuple[str, ...]
Number = Fraction | float


class LinkageError(GeneticsError):
    """A linkage map or a bird that doesn't fit it; the message names the key and value."""


@dataclass(frozen=True)
class Chromosome:
    """Loci in their order and the recombination fraction between each and the next."""

    loci: tuple[str, ...]
    recombination: tuple[Number, ...] = ()
    coincidence: Number = Fraction(1)

    def __post_init__(self) -> None:
        if len(self.recombination) != len(self.loci) - 1:
            raise LinkageError(
                "fractions_expected",
                loci="-".join(self.loci),
                number=len(self.loci),
                needed=len(self.loci) - 1,
                given=len(self.recombination),
            )
        for left, right, r in zip(self.loci, self.loci[1:], self.recombination, strict=False):
            if not 0 <= r <= Fraction(1, 2):
                raise LinkageError("fraction_out_of_range", left=left, right=right, fraction=r)
        for first, second in zip(self.recombination, self.recombination[1:], strict=False):
            both = self.coincidence * first * second
            if self.coincidence < 0 or both > min(first, second):
                raise LinkageError(
                    "coincidence_senseless", loci="-".join(self.loci), coincidence=self.coincidence
                )

    def crossovers(self) -> dict[tuple[int, ...], Number]:
        """Probability of each pattern of crossovers (1) and none (0) over the intervals."""
        patterns: dict[tuple[int, ...], Number] = {(): Fraction(1)}
        for k, r in enumerate(self.recombination):
            longer: dict[tuple[int, ...], Number] = {}
            for pattern, p in patterns.items():
                # A chain along the chromosome whose pairs of neighbours occur as coincidence says.
                before = self.recombination[k - 1] if k else None
                if before is None:
                    here: Number = r
                elif pattern[-1]:
                    here = self.coincidence * r
                else:
                    here = (r - self.coincidence * before * r) / (1 - before)
                longer[(*pattern, 1)] = p * here
                longer[(*pattern, 0)] = p * (1 - here)
            patterns = longer
        return {pattern: p for pattern, p in patterns.items() if p}


def gametes(first: Haplotype, second: Haplotype, chromosome: Chromosome) -> dict[Haplotype, Number]:
    """Probability of each haplotype that a bird with these two passes on.

    >>> half = Fraction(1, 2)
    >>> together = Chromosome(('P', 'O'), (Fraction(1, 25),))
    >>> gametes(('P', 'O'), ('p+', 'o+'), together)[('P', 'o+')]
    Fraction(1, 50)
    """
    for haplotype in (first, second):
        if len(haplotype) != len(chromosome.loci):
            raise LinkageError(
                "haplotype_length",
                haplotype=" ".join(haplotype),
                found=len(haplotype),
                needed=len(chromosome.loci),
                loci=" ".join(chromosome.loci),
            )
    both = (first, second)
    found: dict[Haplotype, Number] = {}
    for pattern, p in chromosome.crossovers().items():
        for start in (0, 1):
            strand, alleles = start, [both[start][0]]
            for position, crossed in enumerate(pattern, start=1):
                strand ^= crossed
                alleles.append(both[strand][position])
            key = tuple(alleles)
            found[key] = found.get(key, Fraction(0)) + p / 2
    return found
