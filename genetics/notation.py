"""Genotypes at any loci, with phase where loci are linked, read from the way they are written.

`R/r+ P/p+ O/o+` names two alleles a locus and says nothing of phase. Alleles that lie on one
chromosome together are written side by side, chromosomes parted by `;`:
`R/r+; P O/p+ o+` is a bird that got P with O from one parent and p+ with o+ from the other.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

from genetics.genotype import GenotypeError, Locus, all_loci
from genetics.linkage import Chromosome, Haplotype, LinkageError
from genetics.numbers import derived, toml

Pair = tuple[Haplotype, Haplotype]
# Stands for the alleles of a locus between others that nobody asked about.
SILENT = "."


@dataclass(frozen=True)
class Written:
    """A genotype as it was written: alleles by locus, and haplotypes where phase was given."""

    alleles: dict[str, tuple[str, str]]
    """By locus symbol; the dominant allele first."""
    phased: tuple[tuple[tuple[str, ...], Pair], ...] = ()
    """(symbols, the two haplotypes in the order of the symbols)."""


@derived
def symbol_of() -> dict[str, str]:
    """Return the locus of every allele. Raises LinkageError if two loci share an allele's name."""
    found: dict[str, str] = {}
    for symbol, locus in all_loci().items():
        for allele in (locus.dominant, locus.recessive):
            if allele in found:
                raise LinkageError(
                    "allele_at_two_loci", allele=allele, first=found[allele], second=symbol
                )
            found[allele] = symbol
    return found


def locus_of(allele: str, text: str) -> str:
    """Return the locus of an allele; GenotypeError if there is none."""
    if allele not in symbol_of():
        known = ", ".join(f"{x.dominant}/{x.recessive}" for x in all_loci().values())
        if allele in ("?", "_"):
            raise GenotypeError("allele_open", genotype=text)
        raise GenotypeError("unknown_allele", genotype=text, allele=allele, known=known)
    return symbol_of()[allele]


def read_genotype(text: str) -> Written:
    """Read a genotype at any loci.

    >>> read_genotype('R/r+; P O/p+ o+').alleles
    {'R': ('R', 'r+'), 'P': ('P', 'p+'), 'O': ('O', 'o+')}

    Raises GenotypeError for what can't be read.
    """
    alleles: dict[str, tuple[str, str]] = {}
    phased = []
    for part in text.split(";"):
        tokens = part.split()
        if all(token.count("/") == 1 for token in tokens):
            pairs = [tuple(token.split("/")) for token in tokens]
        elif part.count("/") == 1:
            first, second = (tuple(side.split()) for side in part.split("/"))
            if len(first) != len(second):
                raise GenotypeError(
                    "haplotypes_differ",
                    genotype=text,
                    first=" ".join(first),
                    second=" ".join(second),
                )
            pairs = list(zip(first, second, strict=True))
            symbols = tuple(locus_of(allele, text) for allele in first)
            phased.append((symbols, (first, second)))
        else:
            raise GenotypeError("alleles_unpaired", genotype=text)
        for one, other in pairs:
            symbol = locus_of(one, text)
            if locus_of(other, text) != symbol:
                raise GenotypeError(
                    "alleles_of_different_loci", genotype=text, one=one, other=other
                )
            if symbol in alleles:
                raise GenotypeError("locus_twice", genotype=text, locus=symbol)
            alleles[symbol] = ordered(all_loci()[symbol], one, other)
    if not alleles:
        raise GenotypeError("genotype_empty")
    written = {s: alleles[s] for s in all_loci() if s in alleles}
    return Written(written, tuple(phased))


def ordered(locus: Locus, one: str, other: str) -> tuple[str, str]:
    """Two alleles of a locus, the dominant one first."""
    return (one, other) if one == locus.dominant else (other, one)


def fractions_of(values: Iterable[float], exact: bool) -> tuple[Fraction | float, ...]:
    """Recombination fractions as written in TOML, as fractions or floats."""
    return tuple(Fraction(str(v)) if exact else float(v) for v in values)


def chromosomes(symbols: Iterable[str], exact: bool, sex: str) -> list[Chromosome]:
    """Linkage groups that hold the given loci, whole, and a group of its own for each other locus.

    `sex` is 'cock' or 'hen', for groups whose recombination differs. In the order of the loci.
    Raises LinkageError for a map without sense.
    """
    left = list(symbols)
    groups: list[Chromosome] = []
    for row in toml("loci")["linkage"].values():
        members = tuple(row["loci"])
        unknown = [m for m in members if m not in all_loci()]
        if unknown:
            raise LinkageError("linkage_unknown_locus", members="-".join(members), locus=unknown[0])
        if sum(m in left for m in members) < 2:
            continue
        rates = row.get(sex, row.get("recombination"))
        coincidence = fractions_of([row.get("coincidence", 1)], exact)[0]
        groups.append(Chromosome(members, fractions_of(rates, exact), coincidence))
        left = [s for s in left if s not in members]
    groups += [Chromosome((s,)) for s in left]
    order = list(all_loci())
    return sorted(groups, key=lambda g: min(order.index(m) for m in g.loci))


def haplotypes(written: Written, group: Chromosome) -> list[Pair]:
    """All pairs of haplotypes over a linkage group that a genotype allows, equally likely.

    More than one where two or more loci are heterozygous and the phase wasn't written. Loci of
    the group that weren't written hold SILENT. Raises GenotypeError if a phase given covers only
    some of the linked loci that matter.
    """
    asked = [s for s in group.loci if s in written.alleles]
    split = [s for s in asked if len(set(written.alleles[s])) == 2]
    for symbols, (first, second) in written.phased:
        if not set(symbols) & set(asked) or len(symbols) == 1:
            continue
        if not set(split) <= set(symbols):
            missing = ", ".join(s for s in split if s not in symbols)
            raise GenotypeError("phase_incomplete", locus=missing)
        one, other = dict(zip(symbols, first, strict=True)), dict(zip(symbols, second, strict=True))
        sides = [
            {**{s: written.alleles[s][k] for s in asked}, **d} for k, d in ((0, one), (1, other))
        ]
        whole = [tuple(side.get(s, SILENT) for s in group.loci) for side in sides]
        return [(whole[0], whole[1])]
    found = []
    for turns in product((0, 1), repeat=max(len(split) - 1, 0)):
        turn = dict(zip(split[1:], turns, strict=True))
        pair = [
            tuple(
                written.alleles[s][k ^ turn.get(s, 0)] if s in written.alleles else SILENT
                for s in group.loci
            )
            for k in (0, 1)
        ]
        found.append((pair[0], pair[1]))
    return found
