"""What a mating gives: exact probabilities of the chicks' genotypes and combs, at any loci."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cache

import numpy as np
from numpy.typing import NDArray

from genetics.combs import textbook_comb
from genetics.genotype import DOSES, GenotypeError, all_loci, index_of
from genetics.linkage import Chromosome, Haplotype, Number, gametes
from genetics.notation import SILENT, Written, chromosomes, haplotypes, read_genotype

COMB_LOCI = ("R", "P")


@dataclass(frozen=True)
class Offspring:
    """A genotype among the eggs, how often, and what it shows when grown."""

    genotype: str
    probability: Fraction | float
    comb: str | None
    """Comb in a bird without a crest; None unless both comb loci were asked about."""
    shows: tuple[str, ...] = ()
    """Other traits, in words."""
    hatches: bool = True


@dataclass(frozen=True)
class Cross:
    """All genotypes and combs that a mating gives, the likeliest first."""

    offspring: tuple[Offspring, ...]
    combs: dict[str, Fraction | float]
    """Share of each comb among the chicks that hatch."""
    lost: Fraction | float = Fraction(0)
    """Share of embryos that die of their genotype."""
    phase_unknown: tuple[str, ...] = ()
    """Parents whose phase wasn't written and matters: all phases were taken as equally likely."""


def passed_on(copies: int) -> Fraction:
    """Chance that a gamete carries the dominant allele (Mendel's first law)."""
    return Fraction(copies, 2)


def locus_offspring(a: int, b: int) -> dict[int, Fraction]:
    """Return copies of the dominant allele in a chick at one locus, by those of its parents."""
    x, y = passed_on(a), passed_on(b)
    both = {2: x * y, 1: x * (1 - y) + (1 - x) * y, 0: (1 - x) * (1 - y)}
    return {copies: p for copies, p in both.items() if p}


def group_gametes(written: Written, group: Chromosome, exact: bool) -> dict[Haplotype, Number]:
    """Haplotypes of one linkage group that a bird passes on, loci not asked about left out."""
    found: dict[Haplotype, Number] = {}
    phases = haplotypes(written, group)
    share: Number = Fraction(1, len(phases)) if exact else 1 / len(phases)
    for first, second in phases:
        for haplotype, p in gametes(first, second, group).items():
            key = tuple(a for a in haplotype if a != SILENT)
            found[key] = found.get(key, Fraction(0) if exact else 0.0) + p * share
    return found


@dataclass(frozen=True)
class Mating:
    """Two genotypes at the same loci, and what each parent passes on in each linkage group."""

    sire: Written
    dam: Written
    groups: tuple[tuple[str, ...], ...]
    """Loci asked about, by linkage group."""
    sire_gametes: tuple[dict[Haplotype, Number], ...]
    dam_gametes: tuple[dict[Haplotype, Number], ...]
    phase_unknown: tuple[str, ...]


def mate(sire: str, dam: str, exact: bool = True) -> Mating:
    """Read two genotypes and work out their gametes.

    Raises GenotypeError for what can't be read or if the two don't name the same loci.
    """
    cock, hen = read_genotype(sire), read_genotype(dam)
    for one, other, text in ((cock, hen, dam), (hen, cock, sire)):
        missing = [s for s in one.alleles if s not in other.alleles]
        if missing:
            raise GenotypeError("loci_missing", genotype=text, missing=tuple(missing))
    passed: list[tuple[dict[Haplotype, Number], ...]] = []
    unknown = []
    members: tuple[tuple[str, ...], ...] = ()
    for who, bird in (("cock", cock), ("hen", hen)):
        groups = chromosomes(bird.alleles, exact, who)
        members = tuple(tuple(s for s in g.loci if s in bird.alleles) for g in groups)
        passed.append(tuple(group_gametes(bird, g, exact) for g in groups))
        if any(len(haplotypes(bird, g)) > 1 for g in groups):
            unknown.append(who)
    return Mating(cock, hen, members, passed[0], passed[1], tuple(unknown))


def group_offspring(mating: Mating, index: int) -> dict[tuple[str, ...], Number]:
    """Chicks at one linkage group, written 'R/r+' locus by locus, phase dropped."""
    found: dict[tuple[str, ...], Number] = {}
    symbols = mating.groups[index]
    for a, p in mating.sire_gametes[index].items():
        for b, q in mating.dam_gametes[index].items():
            key = join_parts(symbols, a, b)
            found[key] = found.get(key, Fraction(0)) + p * q
    return found


def join_parts(symbols: tuple[str, ...], a: Haplotype, b: Haplotype) -> tuple[str, ...]:
    """Two haplotypes as a genotype, dominant alleles first."""
    pairs = []
    for symbol, x, y in zip(symbols, a, b, strict=True):
        first, second = (x, y) if x == all_loci()[symbol].dominant else (y, x)
        pairs.append(f"{first}/{second}")
    return tuple(pairs)


def describe(by_symbol: dict[str, str]) -> tuple[str, str | None, tuple[str, ...], bool]:
    """Return a genotype by locus as text, its comb, what else it shows, and whether it hatches."""
    text = " ".join(by_symbol[s] for s in all_loci() if s in by_symbol)
    comb = None
    if all(s in by_symbol for s in COMB_LOCI):
        comb = textbook_comb(index_of(" ".join(by_symbol[s] for s in COMB_LOCI)))
    shows, hatches = [], True
    for symbol, pair in by_symbol.items():
        locus = all_loci()[symbol]
        copies = pair.split("/").count(locus.dominant)
        if locus.shows[2 - copies]:
            shows.append(locus.shows[2 - copies])
        hatches = hatches and copies < locus.lethal
    return text, comb, tuple(shows), hatches


def cross(sire: str, dam: str, exact: bool = True) -> Cross:
    """Cross two known genotypes, in fractions (`exact`) or floats.

    Linked loci are inherited by the map of `loci.toml`; where the phase matters and isn't written,
    all phases are taken as equally likely and the answer says so.

    >>> cross('R/R P/P', 'r+/r+ p+/p+').combs
    {'walnut': Fraction(1, 1)}

    Raises GenotypeError if a genotype can't be read, has an unknown allele, or the two parents
    don't name the same loci; LinkageError for a map without sense.
    """
    mating = mate(sire, dam, exact)
    chicks: dict[tuple[str, ...], Number] = {(): Fraction(1) if exact else 1.0}
    for index in range(len(mating.groups)):
        here = group_offspring(mating, index)
        chicks = {(*done, *new): p * q for done, p in chicks.items() for new, q in here.items()}
    symbols = [s for group in mating.groups for s in group]
    rows = []
    for genotype, p in chicks.items():
        text, comb, shows, hatches = describe(dict(zip(symbols, genotype, strict=True)))
        rows.append(Offspring(text, p, comb, shows, hatches))
    rows.sort(key=lambda row: (-row.probability, rank(row.genotype)))
    lost: Number = sum((r.probability for r in rows if not r.hatches), Fraction(0))
    combs: dict[str, Number] = {}
    for row in rows:
        if row.comb and row.hatches:
            share = row.probability / (1 - lost)
            combs[row.comb] = combs.get(row.comb, Fraction(0)) + share
    combs = dict(sorted(combs.items(), key=lambda item: (-item[1], item[0])))
    return Cross(tuple(rows), combs, lost, mating.phase_unknown)


def rank(genotype: str) -> tuple[int, ...]:
    """Sort key: more dominant alleles first, locus by locus."""
    dominant = {locus.dominant for locus in all_loci().values()}
    return tuple(-sum(a in dominant for a in pair.split("/")) for pair in genotype.split(" "))


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


@cache
def locus_transmission() -> NDArray[np.float64]:
    """Return the same at one locus, by 2, 1 and 0 copies: array (sire 3, dam 3, chick 3)."""
    table = np.zeros((3, 3, 3))
    for s in range(3):
        for d in range(3):
            for copies, p in locus_offspring(2 - s, 2 - d).items():
                table[s, d, 2 - copies] = float(p)
    table.setflags(write=False)
    return table
