"""Chicks without chicks of their own, summed in one go by parents: exact, and most of a flock.

What such a chick says of its parents is a table over their genotypes; the tables of a brood are
multiplied into one, and only parents stay in the network. Given what the network says of the
parents, every chick's own answer follows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement, product
from math import comb
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from genetics.errors import Impossible
from genetics.factors import Array
from genetics.pedigree import Pedigree, Rows

BLOCK_CELLS = 2**21  # worked on at a time
MOST_BROOD_CELLS = 27**5  # of the table over possible parents
MOST_TOLD_APART = 9**5  # cells up to which it is worked out who of them is the parent
FLOOR = 1e-300
TINY = 1e-12  # of a table's largest cell: smaller ones aren't divided by


@dataclass(frozen=True)
class Inherited:
    """How one or several layers together are inherited, and what founders have."""

    transmission: Array
    """(K, K, K)"""
    prior: Array
    """(n, K)"""

    @property
    def states(self) -> int:
        """How many genotypes there are."""
        return int(self.transmission.shape[-1])

    @property
    def by_pair(self) -> Array:
        """The transmission as (K * K, K)."""
        return self.transmission.reshape(-1, self.states)


Pools = tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Chicks:
    """What the network says of some chicks."""

    rows: Rows
    cavities: Array
    """(n, K): given everything but the chick's own evidence."""
    pairs: Array | None = None
    """(n, K, K): sire and dam given everything but this chick."""
    which: Array | None = None
    """(n, sires, dams): how well each pair of possible parents fits."""


class Brood(Protocol):
    """Chicks that hang on the same birds, or on pairs or single birds each."""

    def tables(self, seen: Array) -> list[tuple[Pools, Array, float]]:
        """Return parents, the table over their genotypes (largest cell 1) and its log scale.

        `seen` (n, K) are the likelihoods of all birds. Parents come in pools, an axis each: one
        bird with its genotype, or two of which only the set of their genotypes matters
        (`pairs_of_genotypes`).
        """

    def chicks(self, contexts: list[Array], seen: Array) -> Iterator[Chicks]:
        """Return what follows for the chicks from the parents' distributions without them."""


def summed(totals: Array, zeros: NDArray[np.int64]) -> tuple[Array, Array]:
    """Products (n, cells) from sums of logarithms and counts of zeros, and their log scales."""
    alive = zeros == 0
    tops = np.where(alive, totals, -np.inf).max(1)
    if (tops == -np.inf).any():
        raise Impossible("contradiction")
    return np.where(alive, np.exp(totals - tops[:, None]), 0), tops


def proportions(logs: Array, alive: NDArray[np.bool_]) -> Array:
    """Distributions (n, cells) from logarithms. Raises Impossible for a row without any."""
    with np.errstate(divide="ignore"):
        logs = np.where(alive, logs, -np.inf)
    tops = logs.max(1, keepdims=True)
    if (tops == -np.inf).any():
        raise Impossible("contradiction")
    found = np.exp(logs - tops)
    return np.asarray(found / found.sum(1, keepdims=True))


class KnownParents:
    """Chicks of which both parents are known, or only one, a founder standing for the other."""

    def __init__(self, rows: Rows, parents: Rows, inherited: Inherited) -> None:
        """`parents` (n, 2), the second -1 where only one is known, for all of them or none."""
        order = np.lexsort(parents.T[::-1])
        self.rows, self.inherited = rows[order], inherited
        self.both = bool(len(parents)) and parents[0, 1] >= 0
        self.brood_parents, self.brood = np.unique(parents[order], axis=0, return_inverse=True)
        self.brood = self.brood.ravel()
        self._totals: Array = np.zeros((0, 0))
        self._zeros: NDArray[np.int64] = np.zeros((0, 0), np.int64)

    def blocks(self) -> Iterator[slice]:
        """Return parts that fit into memory."""
        step = max(1, BLOCK_CELLS // self.inherited.states**2)
        for start in range(0, len(self.rows), step):
            yield slice(start, start + step)

    def says(self, part: slice, seen: Array) -> tuple[Array, NDArray[np.bool_]]:
        """Logarithms (n, cells) of what chicks say of their parents, and where that is 0."""
        inherited, rows = self.inherited, self.rows[part]
        table = seen[rows] @ inherited.by_pair.T
        if not self.both:
            states = inherited.states
            table = np.einsum(
                "nsd,nd->ns", table.reshape(-1, states, states), inherited.prior[rows]
            )
        return np.log(np.maximum(table, FLOOR)), table <= 0

    def tables(self, seen: Array) -> list[tuple[Pools, Array, float]]:
        """See Brood."""
        states = self.inherited.states
        shape = (states, states) if self.both else (states,)
        self._totals = np.zeros((len(self.brood_parents), int(np.prod(shape))))
        self._zeros = np.zeros(self._totals.shape, np.int64)
        for part in self.blocks():
            logs, zero = self.says(part, seen)
            brood = self.brood[part]
            starts = np.flatnonzero(np.diff(brood, prepend=-1))
            self._totals[brood[starts]] += np.add.reduceat(logs, starts)
            self._zeros[brood[starts]] += np.add.reduceat(zero.astype(np.int64), starts)
        found, tops = summed(self._totals, self._zeros)
        return [
            (tuple((p,) for p in parents if p >= 0), table.reshape(shape), float(top))
            for parents, table, top in zip(self.brood_parents.tolist(), found, tops, strict=True)
        ]

    def chicks(self, contexts: list[Array], seen: Array) -> Iterator[Chicks]:
        """See Brood."""
        inherited, states = self.inherited, self.inherited.states
        around = np.log(np.maximum(np.array([c.ravel() for c in contexts]), FLOOR))
        for part in self.blocks():
            logs, zero = self.says(part, seen)
            brood, rows = self.brood[part], self.rows[part]
            without = around[brood] + self._totals[brood] - logs
            pairs = proportions(without, self._zeros[brood] - zero == 0)
            if not self.both:
                pairs = np.einsum("ns,nd->nsd", pairs, inherited.prior[rows]).reshape(len(rows), -1)
            cavities = pairs @ inherited.by_pair
            cavities = cavities / cavities.sum(1, keepdims=True)
            yield Chicks(rows, cavities, pairs.reshape(-1, states, states))


def configurations(states: int, birds: int, ordered: bool) -> NDArray[np.int64]:
    """Genotypes that some birds can have together (n, birds); as a set if the order is no matter.

    >>> configurations(2, 2, ordered=False).tolist()
    [[0, 0], [0, 1], [1, 1]]
    """
    each = range(states)
    ways = product(each, repeat=birds) if ordered else combinations_with_replacement(each, birds)
    return np.array(list(ways), np.int64).reshape(-1, birds)


def pairs_of_genotypes(states: int) -> Array:
    """Return which set of two genotypes stands for two birds' (K, K, sets): ones and zeros."""
    sets = configurations(states, 2, ordered=False)
    found = np.zeros((states, states, len(sets)))
    for i, (one, other) in enumerate(sets.tolist()):
        found[one, other, i] = found[other, one, i] = 1
    return found


class Side:
    """The birds that one parent of a brood is among."""

    def __init__(
        self, parents: tuple[int, ...], states: int, ordered: bool, in_pairs: bool
    ) -> None:
        """`ordered`: chicks tell the birds apart; `in_pairs`: the network takes two as one."""
        self.parents = parents
        step = 2 if in_pairs else 1
        self.pools: Pools = tuple(parents[i : i + step] for i in range(0, len(parents), step))
        by_pool = [configurations(states, len(pool), ordered=False) for pool in self.pools]
        self.sizes = [len(some) for some in by_pool]
        # All that the network tells apart, pool by pool, and the sets that the chicks do.
        every = np.zeros((1, 0), np.int64)
        for some in by_pool:
            left, right = np.repeat(every, len(some), axis=0), np.tile(some, (len(every), 1))
            every = np.concatenate([left, right], axis=1)
        self.genotypes = configurations(states, len(parents), ordered)
        shape = (states,) * max(1, len(parents))
        place = np.ravel_multi_index(tuple(self.genotypes.T), shape)
        sought = np.ravel_multi_index(tuple((every if ordered else np.sort(every, 1)).T), shape)
        self.place = np.searchsorted(place, sought)
        eye = np.eye(states)
        self.each = [eye[self.genotypes[:, i]] for i in range(len(parents))]
        self.mean = np.mean(self.each, axis=0)

    def folded(self, table: Array) -> Array:
        """Return a table (network's, m) summed over what the chicks don't tell apart."""
        every = len(self.place)
        if every == len(self.genotypes):
            return table
        ones = csr_array((np.ones(every), (self.place, np.arange(every))))
        return np.asarray(ones @ table)


class SeveralParents:
    """Chicks whose sire or dam is one of several birds, the same for all of them.

    As long as each is as likely as the others, only the set of the genotypes of the possible sires
    matters, not who has which, so that far fewer cells are needed. With `weights` (by row: chance
    of each pair beforehand) they are told apart.
    """

    def __init__(
        self,
        rows: Rows,
        sires: tuple[int, ...],
        dams: tuple[int, ...],
        inherited: Inherited,
        weights: dict[int, Array] | None = None,
    ) -> None:
        self.rows, self.inherited, self.weights = rows, inherited, weights
        # Inheritance is the same from either side: the known or possible ones come first.
        self.turned = not sires
        ordered, states = weights is not None, inherited.states
        # Two birds as one variable make tables smaller, but tie the two together.
        in_pairs = states ** (len(sires) + len(dams)) > MOST_TOLD_APART
        self.first = Side(dams if self.turned else sires, states, ordered, in_pairs)
        other = () if self.turned else dams
        self.second = Side(other, states, ordered, in_pairs) if other else None
        self._product: Array = np.zeros((0, 0))

    def weight(self, row: int) -> Array:
        """Chance of each pair beforehand (first, second)."""
        shape = (len(self.first.parents), len(self.second.parents) if self.second else 1)
        if self.weights is None or row not in self.weights:
            return np.full(shape, 1 / np.prod(shape))
        given = self.weights[row]
        return np.asarray((given.T if self.turned else given).reshape(shape))

    def of_pair(self, row: int, seen: Array) -> Array:
        """Return what a chick says of one pair of parents (K, K), or of one parent (K, 1)."""
        states = self.inherited.states
        table = (self.inherited.by_pair @ seen[row]).reshape(states, states)
        return table if self.second else (table @ self.inherited.prior[row])[:, None]

    def says(self, row: int, seen: Array) -> Array:
        """Return what a chick says of the genotypes of all possible parents (first, second)."""
        table = self.of_pair(row, seen)
        if self.weights is None:
            half = self.first.mean @ table
            return np.asarray(half @ self.second.mean.T if self.second else half)
        weight = self.weight(row)
        found: Array = np.zeros(1)
        for i, one in enumerate(self.first.each):
            if not self.second:
                found = found + weight[i, 0] * (one @ table)
                continue
            other = sum(weight[i, j] * e for j, e in enumerate(self.second.each))
            found = found + (one @ table) @ np.asarray(other).T
        return np.asarray(found)

    def product(self, rows: Sequence[int], seen: Array) -> tuple[Array, float]:
        """Return what some chicks say together (first, second), scaled to 1, and the log scale."""
        width = len(self.second.genotypes) if self.second else 1
        found = np.ones((len(self.first.genotypes), width))
        scale = 0.0
        for count, row in enumerate(rows, start=1):
            found *= self.says(row, seen)
            if count % 8 == 0 or count == len(rows):
                # Many small numbers multiplied would vanish.
                top = float(found.max())
                if top <= 0:
                    raise Impossible("contradiction")
                found /= top
                scale += float(np.log(top))
        return found, scale

    def tables(self, seen: Array) -> list[tuple[Pools, Array, float]]:
        """See Brood."""
        self._product, scale = self.product(self.rows.tolist(), seen)
        table = self._product[self.first.place]
        pools, sizes = self.first.pools, self.first.sizes
        if self.second:
            table = table[:, self.second.place]
            pools, sizes = pools + self.second.pools, sizes + self.second.sizes
        return [(pools, table.reshape(sizes), scale)]

    def chicks(self, contexts: list[Array], seen: Array) -> Iterator[Chicks]:
        """See Brood."""
        inherited, states = self.inherited, self.inherited.states
        around = contexts[0].reshape(len(self.first.place), -1)
        around = self.first.folded(around)
        if self.second:
            around = self.second.folded(around.T).T
        whole = around * self._product
        cavities, which = [], []
        for row in self.rows.tolist():
            table = self.says(row, seen)
            if table.min() > TINY * table.max():
                without = whole / table
            else:  # nothing is divided by 0: the others' word is multiplied anew
                others = [other for other in self.rows.tolist() if other != row]
                without = around * self.product(others, seen)[0]
            total = without.sum()
            if total <= 0:
                raise Impossible("contradiction")
            weight, pairs, fits = self.weight(row), np.zeros((states, states)), []
            own = self.of_pair(row, seen)
            for i, one in enumerate(self.firsts()):
                half = (one.T @ without) / total
                for j, other in enumerate(self.seconds()):
                    here = half @ other
                    fits.append(float((here * own).sum()))
                    if not self.second:
                        here = np.outer(here, inherited.prior[row])
                    pairs += here * (1.0 if self.weights is None else weight[i, j])
            cavity = pairs.ravel() @ inherited.by_pair
            cavities.append(cavity / cavity.sum())
            if self.weights is not None:
                found = np.array(fits).reshape(weight.shape)
                which.append((found.T if self.turned else found) / found.sum())
        yield Chicks(self.rows, np.array(cavities), None, np.array(which) if which else None)

    def firsts(self) -> list[Array]:
        """Genotypes of the first parent's candidates, one by one where they are told apart."""
        return [self.first.mean] if self.weights is None else self.first.each

    def seconds(self) -> list[Array]:
        """Genotypes of the second parent's candidates likewise."""
        if not self.second:
            return [np.ones((1, 1))]
        return [self.second.mean] if self.weights is None else self.second.each


def broods_of(
    pedigree: Pedigree,
    leaves: Rows,
    inherited: Inherited,
    weights: dict[int, Array] | None = None,
) -> list[Brood]:
    """Return the chicks of `leaves` by parents: all with two known, all with one, the others."""
    leaf = np.zeros(pedigree.count, bool)
    leaf[leaves] = True
    leaf[list(pedigree.candidates)] = False
    sire, dam = pedigree.sire, pedigree.dam
    found: list[Brood] = []
    for one, other in ((sire, dam), (sire, None), (dam, None)):
        has = leaf & (one >= 0)
        has &= (other >= 0) if other is not None else ((dam if one is sire else sire) < 0)
        rows = np.flatnonzero(has)
        if len(rows):
            second = other[rows] if other is not None else np.full(len(rows), -1)
            found.append(KnownParents(rows, np.stack([one[rows], second], 1), inherited))
    groups: dict[tuple[tuple[int, ...], tuple[int, ...]], list[int]] = {}
    for row in leaves.tolist():
        if row in pedigree.candidates:
            groups.setdefault(pedigree.possible(row), []).append(row)
    for (sires, dams), members in groups.items():
        few = inherited.states ** (len(sires) + len(dams)) <= MOST_TOLD_APART
        told = weights if few else None
        found.append(SeveralParents(np.array(members), sires, dams, inherited, told))
    return found


def pooled_cells(birds: int, states: int) -> tuple[int, int]:
    """Cells of a network's table over some possible parents, and of the sets that chicks tell.

    >>> pooled_cells(3, 27)
    (10206, 3654)
    """
    pairs, left = divmod(birds, 2)
    return (states * (states + 1) // 2) ** pairs * states**left, comb(states + birds - 1, birds)


def leaves_of(pedigree: Pedigree, parents: NDArray[np.bool_], states: int) -> Rows:
    """Rows of chicks that can be summed by brood: with parents, without chicks of their own."""
    leaf = ~parents & ((pedigree.sire >= 0) | (pedigree.dam >= 0))
    for row in pedigree.candidates:
        cells = np.prod([pooled_cells(len(side), states) for side in pedigree.possible(row)], 0)
        leaf[row] = not parents[row] and max(cells.tolist()) <= MOST_BROOD_CELLS
    return np.flatnonzero(leaf)
