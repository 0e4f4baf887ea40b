"""Genotypes at the rose (R) and pea (P) loci, written the trade's way: `R/r+ P/p+`."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

from genetics.errors import GeneticsError
from genetics.numbers import derived, toml


class GenotypeError(GeneticsError):
    """A genotype that can't be read; the message says what was found and what is expected."""


@dataclass(frozen=True)
class Locus:
    """A locus with two alleles."""

    name: str
    dominant: str
    recessive: str
    dominance: str
    chromosome: str
    shows: tuple[str, ...] = ("", "", "")
    """What a grown bird shows with 2, 1 and 0 copies of the dominant allele."""
    seen: tuple[float, ...] = ()
    """How often a person notes it, with 2, 1 and 0 copies."""
    lethal: int = 3
    """Copies of the dominant allele with which an embryo dies; 3 for never."""


@derived
def all_loci() -> dict[str, Locus]:
    """Return the loci of `loci.toml` by symbol, in writing order."""
    found = {}
    for symbol, row in toml("loci")["locus"].items():
        lists = {k: tuple(v) for k, v in row.items() if isinstance(v, list)}
        found[symbol] = Locus(**(row | lists))
    return found


@derived
def loci() -> tuple[Locus, ...]:
    """Return the two comb loci, in writing order."""
    return tuple(all_loci()[symbol] for symbol in ("R", "P"))


# Copies of the dominant allele at each locus; index 0 is R/R P/P, index 8 is r+/r+ p+/p+.
DOSES: tuple[tuple[int, int], ...] = tuple((r, p) for r, p in product((2, 1, 0), repeat=2))


def written(doses: tuple[int, ...]) -> str:
    """Return copies of the dominant alleles as a genotype, dominant allele first.

    >>> written((1, 0))
    'R/r+ p+/p+'
    """
    parts = []
    for locus, copies in zip(loci(), doses, strict=True):
        alleles = [locus.dominant] * copies + [locus.recessive] * (2 - copies)
        parts.append("/".join(alleles))
    return " ".join(parts)


NAMES: tuple[str, ...] = tuple(written(d) for d in DOSES)


def possible(text: str) -> tuple[int, ...]:
    """Return indices of the genotypes that a written one allows; `?` and `_` stand for any allele.

    >>> [NAMES[i] for i in possible('R/? p+/p+')]
    ['R/R p+/p+', 'R/r+ p+/p+']

    Raises GenotypeError for anything that isn't a genotype at both loci.
    """
    parts = text.split()
    if len(parts) != len(loci()):
        raise GenotypeError("two_loci_expected", genotype=text, found=len(parts))
    doses_by_locus = []
    for part, locus in zip(parts, loci(), strict=True):
        alleles = part.split("/")
        known = {locus.dominant, locus.recessive}
        if len(alleles) != 2 or not set(alleles) <= known | {"?", "_"}:
            raise GenotypeError(
                "not_a_pair",
                genotype=text,
                part=part,
                dominant=locus.dominant,
                recessive=locus.recessive,
            )
        least = alleles.count(locus.dominant)
        unknown = len(alleles) - sum(a in known for a in alleles)
        doses_by_locus.append(range(least, least + unknown + 1))
    return tuple(
        i
        for i, d in enumerate(DOSES)
        if all(c in r for c, r in zip(d, doses_by_locus, strict=True))
    )


def index_of(text: str) -> int:
    """Index of a fully known genotype; GenotypeError if an allele is open."""
    found = possible(text)
    if len(found) != 1:
        raise GenotypeError("allele_open", genotype=text)
    return found[0]
