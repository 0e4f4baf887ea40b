"""A mating's working as data for display: the Punnett grid, and the multiplication method.

The grid has the cock's gametes down and the hen's across. The multiplication method splits the
mating into linkage groups, writes down what each gives, and multiplies. Punnett 1911, Mendelism.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

from genetics.combs import tables
from genetics.cross import COMB_LOCI, Mating, describe, group_offspring, join_parts, mate
from genetics.genotype import GenotypeError, all_loci
from genetics.linkage import Number

MOST_GAMETES = 64


@dataclass(frozen=True)
class Gamete:
    """What a parent passes on, and how often."""

    alleles: str
    probability: Number


@dataclass(frozen=True)
class Cell:
    """A meeting of two gametes."""

    genotype: str
    probability: Number
    comb: str | None


@dataclass(frozen=True)
class Grid:
    """The Punnett grid: `cells[i][j]` of the cock's gamete i and the hen's gamete j."""

    sire: tuple[Gamete, ...]
    dam: tuple[Gamete, ...]
    cells: tuple[tuple[Cell, ...], ...]


def grid(sire: str, dam: str, exact: bool = True) -> Grid:
    """Return the Punnett grid of two genotypes at the same loci.

    >>> [g.alleles for g in grid('R/r+ P/P', 'r+/r+ p+/p+').sire]
    ['R P', 'r+ P']

    Raises GenotypeError for what `cross` refuses, or for more than 64 kinds of gametes.
    """
    mating = mate(sire, dam, exact)
    sides = []
    for groups in (mating.sire_gametes, mating.dam_gametes):
        kinds = 1
        for group in groups:
            kinds *= len(group)
        if kinds > MOST_GAMETES:
            raise GenotypeError("grid_too_large", kinds=kinds)
        common = [sorted(g.items(), key=lambda item: -item[1]) for g in groups]
        sides.append([whole(choice) for choice in product(*common)])
    symbols = tuple(s for group in mating.groups for s in group)
    rows = []
    for a, p in sides[0]:
        row = []
        for b, q in sides[1]:
            pairs = join_parts(symbols, a, b)
            text, comb, _, _ = describe(dict(zip(symbols, pairs, strict=True)))
            row.append(Cell(text, p * q, comb))
        rows.append(tuple(row))
    heads = [tuple(Gamete(" ".join(alleles), p) for alleles, p in side) for side in sides]
    return Grid(heads[0], heads[1], tuple(rows))


def whole(choice: tuple[tuple[tuple[str, ...], Number], ...]) -> tuple[tuple[str, ...], Number]:
    """One haplotype from each linkage group as a whole gamete."""
    alleles: tuple[str, ...] = ()
    chance: Number = Fraction(1)
    for haplotype, p in choice:
        alleles, chance = alleles + haplotype, chance * p
    return alleles, chance


@dataclass(frozen=True)
class Share:
    """A genotype or pattern at one linkage group and its share of the chicks."""

    genotype: str
    probability: Number


@dataclass(frozen=True)
class Part:
    """A linkage group: who is crossed there and what comes of it."""

    loci: tuple[str, ...]
    sire: str
    dam: str
    chicks: tuple[Share, ...]


@dataclass(frozen=True)
class Product:
    """Shares multiplied to the share of a comb, or of a genotype where no comb is asked about."""

    result: str
    factors: tuple[Share, ...]
    probability: Number


@dataclass(frozen=True)
class Working:
    """The multiplication method, part by part, then the products."""

    parts: tuple[Part, ...]
    products: tuple[Product, ...]
    lost: tuple[Share, ...] = ()
    """Genotypes that die in the egg, with their share of all embryos."""


def working(sire: str, dam: str, exact: bool = True) -> Working:
    """Return the multiplication method for two genotypes at the same loci.

    Products are for the combs where both comb loci are among them, in the order of the comb
    table, else for every genotype. Raises GenotypeError for what `cross` refuses.
    """
    mating = mate(sire, dam, exact)
    parts = []
    for index, symbols in enumerate(mating.groups):
        shares = sorted(group_offspring(mating, index).items(), key=lambda item: -item[1])
        parts.append(
            Part(
                symbols,
                " ".join("/".join(mating.sire.alleles[s]) for s in symbols),
                " ".join("/".join(mating.dam.alleles[s]) for s in symbols),
                tuple(Share(" ".join(genotype), p) for genotype, p in shares),
            )
        )
    if all(s in mating.sire.alleles for s in COMB_LOCI):
        products = comb_products(mating)
    else:
        products = [
            Product(" ".join(c.genotype for c in choice), choice, times(choice))
            for choice in product(*(part.chicks for part in parts))
        ]
    return Working(tuple(parts), tuple(products), tuple(lethal_shares(parts)))


def lethal_shares(parts: Sequence[Part]) -> list[Share]:
    """Return what a lethal genotype takes away, of all embryos, by the locus' own genotype.

    >>> [f"{s.probability} {s.genotype}" for s in working('Cp/cp+', 'Cp/cp+').lost]
    ['1/4 Cp/Cp']
    """
    found = []
    for part in parts:
        for place, symbol in enumerate(part.loci):
            locus = all_loci()[symbol]
            deaths: dict[str, Number] = {}
            for share in part.chicks:
                pair = share.genotype.split(" ")[place]
                if pair.split("/").count(locus.dominant) >= locus.lethal:
                    deaths[pair] = deaths.get(pair, Fraction(0)) + share.probability
            found += [Share(pair, chance) for pair, chance in deaths.items()]
    return found


def times(shares: tuple[Share, ...]) -> Number:
    """Product of shares."""
    chance: Number = Fraction(1)
    for share in shares:
        chance = chance * share.probability
    return chance


def comb_products(mating: Mating) -> list[Product]:
    """Products for the combs: R and P lie on different chromosomes and so are multiplied."""
    found = []
    for pattern, comb in tables()["shown"].items():
        shares = []
        for symbol, wanted in zip(COMB_LOCI, pattern.split(" "), strict=True):
            index = next(i for i, group in enumerate(mating.groups) if symbol in group)
            place = mating.groups[index].index(symbol)
            chance: Number = Fraction(0)
            for genotype, p in group_offspring(mating, index).items():
                pair = genotype[place]
                if pair == wanted or ("_" in wanted and wanted.split("/")[0] in pair.split("/")):
                    chance = chance + p
            shares.append(Share(wanted, chance))
        total = times(tuple(shares))
        if total:
            found.append(Product(str(comb), tuple(shares), total))
    return found
