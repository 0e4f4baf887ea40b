"""Who descends from whom, and what is inherited: the questions that `posterior.py` answers.

Birds are rows of arrays; -1 stands for an unknown parent. A bird with one unknown parent gets
a founder in its place. A `Layer` is what is inherited at some loci that assort together in one
table (R and P: nine genotypes; crest: three).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from genetics.errors import PedigreeError
from genetics.factors import Array

Rows = NDArray[np.int64]


@dataclass(frozen=True)
class Pair:
    """Evidence of a mating that no single bird carries: chicks counted without bands."""

    sire: int
    dam: int
    likelihood: Array
    """(K, K) by the genotypes of sire and dam, up to a constant."""


@dataclass(frozen=True)
class Layer:
    """One set of loci: how it is inherited, what founders have, what was seen."""

    transmission: Array
    """(K, K, K): chance of a chick's genotype by sire's and dam's."""
    prior: Array
    """(K,) or (n, K): a founder's genotype."""
    likelihoods: Array
    """(n, K), all ones where nothing was seen."""
    pairs: tuple[Pair, ...] = ()

    @property
    def states(self) -> int:
        """How many genotypes there are."""
        return int(self.transmission.shape[-1])


@dataclass(frozen=True)
class CandidateParents:
    """Parents of one bird that are known to be among several; empty where `sire`, `dam` hold.

    Each of them is as likely as the others beforehand.
    """

    sires: tuple[int, ...] = ()
    dams: tuple[int, ...] = ()


@dataclass(frozen=True)
class Pedigree:
    """The parents of every bird, checked."""

    sire: Rows
    dam: Rows
    candidates: Mapping[int, CandidateParents] = field(default_factory=dict)
    """By row, parents that are one of several, by their rows."""

    @property
    def count(self) -> int:
        """How many birds there are."""
        return len(self.sire)

    def possible(self, row: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Return the birds that may be the sire and the dam of a row; empty if unknown."""
        some = self.candidates.get(row, CandidateParents())
        sires = some.sires or ((int(self.sire[row]),) if self.sire[row] >= 0 else ())
        dams = some.dams or ((int(self.dam[row]),) if self.dam[row] >= 0 else ())
        return sires, dams

    def parents(self, pairs: Sequence[Pair] = ()) -> NDArray[np.bool_]:
        """Return which birds have chicks on record, counted ones included, or may have."""
        found = np.zeros(self.count, bool)
        found[self.sire[self.sire >= 0]] = True
        found[self.dam[self.dam >= 0]] = True
        for some in self.candidates.values():
            found[[*some.sires, *some.dams]] = True
        for pair in pairs:
            found[[pair.sire, pair.dam]] = True
        return found

    def components(self, pairs: Sequence[Pair] = ()) -> Rows:
        """Return a number by bird, the same for those that hang together by parents or matings."""
        child: list[Rows] = [np.flatnonzero(self.sire >= 0), np.flatnonzero(self.dam >= 0)]
        parent = [self.sire[child[0]], self.dam[child[1]]]
        further = [
            (row, other)
            for row, some in self.candidates.items()
            for other in (*some.sires, *some.dams)
        ] + [(pair.sire, pair.dam) for pair in pairs]
        more = np.array(further, np.int64).reshape(-1, 2)
        one = np.concatenate([*child, more[:, 0]])
        other = np.concatenate([*parent, more[:, 1]])
        graph = coo_array((np.ones(len(one)), (one, other)), shape=(self.count, self.count))
        return np.asarray(connected_components(graph, directed=False)[1], np.int64)

    def subset(self, rows: Rows) -> Pedigree:
        """Return the birds of whole components as a pedigree of their own."""
        place = np.full(self.count + 1, -1)
        place[rows] = np.arange(len(rows))
        wanted = set(rows.tolist()) & self.candidates.keys()
        return Pedigree(
            place[self.sire[rows]],
            place[self.dam[rows]],
            {
                int(place[row]): CandidateParents(
                    tuple(place[list(self.candidates[row].sires)].tolist()),
                    tuple(place[list(self.candidates[row].dams)].tolist()),
                )
                for row in sorted(wanted)
            },
        )


def pedigree_of(
    sire: Sequence[int],
    dam: Sequence[int],
    candidates: Mapping[int, CandidateParents] | None = None,
) -> Pedigree:
    """Return the pedigree of rows of parents. Raises PedigreeError for one that can't be."""
    check(sire, dam, candidates)
    for row, (s, d) in enumerate(zip(sire, dam, strict=True)):
        if s == d >= 0:
            raise PedigreeError("parents_the_same", row=row)
    for row, some in (candidates or {}).items():
        for rows in (some.sires, some.dams):
            if len(set(rows)) != len(rows) or row in rows:
                raise PedigreeError("possible_parents_alike", row=row, parents=rows)
    sires, dams = np.array(sire, np.int64), np.array(dam, np.int64)
    several: dict[int, CandidateParents] = {}
    for row, some in (candidates or {}).items():
        # One bird of one is a known parent.
        if len(some.sires) == 1:
            sires[row] = some.sires[0]
        if len(some.dams) == 1:
            dams[row] = some.dams[0]
        left = CandidateParents(
            tuple(sorted(some.sires)) if len(some.sires) > 1 else (),
            tuple(sorted(some.dams)) if len(some.dams) > 1 else (),
        )
        if left.sires or left.dams:
            several[row] = left
    return Pedigree(sires, dams, several)


def check(
    sire: Sequence[int], dam: Sequence[int], possible: Mapping[int, CandidateParents] | None = None
) -> list[int]:
    """Rows in an order in which parents come first; PedigreeError for a cycle or bad row."""
    count = len(sire)
    if len(dam) != count:
        raise PedigreeError("parents_unequal", sires=count, dams=len(dam))
    parents_of = [[s, d] for s, d in zip(sire, dam, strict=True)]
    for row, some in (possible or {}).items():
        parents_of[row] += [*some.sires, *some.dams]
        if (some.sires and sire[row] >= 0) or (some.dams and dam[row] >= 0):
            raise PedigreeError("parent_known_and_possible", row=row)
    for row, parents in enumerate(parents_of):
        for parent in parents:
            if not -1 <= parent < count:
                raise PedigreeError("parent_no_row", row=row, parent=parent)
    state, order = [0] * count, []
    for start in range(count):
        stack = [(start, False)]
        while stack:
            row, done = stack.pop()
            if done:
                state[row] = 2
                order.append(row)
            elif state[row] == 1:
                raise PedigreeError("own_ancestor", row=row)
            elif state[row] == 0:
                state[row] = 1
                stack.append((row, True))
                for parent in parents_of[row]:
                    if parent >= 0 and state[parent] == 1:
                        raise PedigreeError("own_ancestor", row=parent)
                    if parent >= 0 and state[parent] == 0:
                        stack.append((parent, False))
    return order


def distributions(prior: Array, count: int, states: int) -> Array:
    """Founders' priors (count, states), each row summing to 1; PedigreeError if it can't."""
    given = np.asarray(prior, float)
    if given.shape not in ((states,), (count, states)) or (given < 0).any():
        raise PedigreeError("prior_shape", states=states, count=count, shape=given.shape)
    totals = given.sum(-1, keepdims=True)
    if (np.abs(totals - 1) > 1e-6).any():
        wrong = int(np.argmax(np.abs(totals - 1)))
        raise PedigreeError("prior_sum", row=wrong, total=totals.ravel()[wrong])
    return np.broadcast_to(given / totals, (count, states))


def checked_layer(layer: Layer, count: int) -> Layer:
    """Return a layer with its founders' priors by row. Raises PedigreeError."""
    evidence = np.asarray(layer.likelihoods, float)
    if evidence.shape != (count, layer.states):
        raise PedigreeError(
            "likelihood_shape", count=count, states=layer.states, shape=evidence.shape
        )
    for pair in layer.pairs:
        if not (0 <= pair.sire < count and 0 <= pair.dam < count) or pair.sire == pair.dam:
            raise PedigreeError("mating_not_recorded", sire=pair.sire, dam=pair.dam)
    prior = distributions(layer.prior, count, layer.states)
    return Layer(np.asarray(layer.transmission), prior, evidence, layer.pairs)
