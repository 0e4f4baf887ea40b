"""Exact sums over a network of tables: variable elimination forth and back, in log space.

A variable is a number 0..n-1 with a number of states; a factor is a table over a few variables.
Pedigrees are one such network (`pedigree.py`): a variable is a bird's genotype at some loci.
Source: bucket elimination and its backward pass, Dechter 1999, Artificial Intelligence 113; Koller
and Friedman 2009, Probabilistic Graphical Models, chapters 9 and 10 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from math import prod

import numpy as np

from genetics.errors import Impossible, TooWide
from genetics.factors import Array, Clique, Factor, each_without, multiply, normalise

MOST_CELLS = 9**7
CLIQUE_CELLS = 9**5  # up to here a bucket's tables are multiplied out over all its variables
KEPT_CELLS = 3**7  # up to here the product is kept for the way back


@dataclass(frozen=True)
class Beliefs:
    """What a network says of each variable and of the factors that were watched."""

    marginals: list[Array]
    """By variable, (states,): its distribution given everything."""
    cavities: list[Array]
    """The same given everything but its own evidence."""
    contexts: dict[int, Array]
    """By index of a watched factor: the distribution over its variables without the factor."""
    log_evidence: float


def neighbourhoods(scopes: Sequence[tuple[int, ...]], count: int) -> list[set[int]]:
    """By variable, the others that share a factor with it."""
    neighbours: list[set[int]] = [set() for _ in range(count)]
    for scope in scopes:
        for variable in scope:
            neighbours[variable].update(scope)
    for variable in range(count):
        neighbours[variable].discard(variable)
    return neighbours


def eliminate(neighbours: list[set[int]], variable: int) -> set[int]:
    """Take a variable out of the graph and join its neighbours; returns them."""
    around = neighbours[variable]
    for other in around:
        neighbours[other] |= around
        neighbours[other] -= {variable, other}
    neighbours[variable] = set()
    return around


def elimination_order(
    scopes: Sequence[tuple[int, ...]], sizes: Sequence[int], most: int = MOST_CELLS
) -> tuple[list[int], list[int]]:
    """Greedy order by the smallest table (ties: the lowest number), and the variables left over.

    The order stops where every table would have more than `most` cells; left over are those that
    can't be eliminated then, none if the whole network is narrow enough.
    """
    count = len(sizes)
    neighbours = neighbourhoods(scopes, count)
    same = set(sizes)

    def cells(variable: int) -> int:
        around = neighbours[variable]
        if len(same) == 1:
            return int(sizes[variable] ** (len(around) + 1))
        return prod(sizes[v] for v in around) * sizes[variable]

    # Old entries stay in the heap and are skipped when a variable's table has changed since.
    heap = [(cells(v), v) for v in range(count)]
    heapify(heap)
    left, order = [True] * count, []
    while heap:
        size, variable = heappop(heap)
        if not left[variable] or size != cells(variable):
            continue
        if size > most:
            break
        for other in eliminate(neighbours, variable):
            heappush(heap, (cells(other), other))
        left[variable] = False
        order.append(variable)
    return order, [v for v in range(count) if left[v]]


@dataclass(frozen=True)
class Core:
    """Beliefs of the variables that were too complex to eliminate, from another method."""

    marginals: dict[int, Array]
    joints: list[Array]
    """By factor that was passed in, the joint distribution over its variables."""


CoreMethod = Callable[[list[int], list[Factor], Sequence[Factor], Sequence[int]], Core]


def propagate(
    factors: Sequence[Factor],
    own: Sequence[Factor],
    sizes: Sequence[int],
    watched: Collection[int] = (),
    core: CoreMethod | None = None,
    most: int = MOST_CELLS,
    order: tuple[list[int], list[int]] | None = None,
) -> Beliefs:
    """Messages forth and back over the buckets of an elimination order.

    `own` holds one factor for each variable, its own evidence; `watched` are indices of factors
    whose contexts are wanted. Variables that would need tables of more than `most` cells
    are left to `core`, which gets them, the factors over them, `own` and `sizes`; the evidence
    then has no logarithm (nan). `order` is what `elimination_order` gave, if it is known. Raises
    TooWide where there is no `core`, or Impossible.
    """
    first, left = order or elimination_order([f.variables for f in factors], sizes, most)
    if left and core is None:
        raise TooWide("too_wide", birds=len(left), most=most)
    sweep = Sweep(own, sizes, first, left)
    sweep.fill(factors, set(watched))
    sweep.forth()
    if left and core is not None:
        sweep.hear_core(core(left, [f for f, _, _ in sweep.remains], own, sizes), set(watched))
    sweep.back()
    return Beliefs(sweep.marginals, sweep.cavities, sweep.contexts, sweep.log_evidence)


class Sweep:
    """One pass of messages forth and back over the buckets of an elimination order."""

    def __init__(
        self, own: Sequence[Factor], sizes: Sequence[int], order: list[int], left: list[int]
    ) -> None:
        self.own, self.sizes, self.order, self.left = own, sizes, order, left
        self.position = {variable: i for i, variable in enumerate([*order, *left])}
        # The variable's own evidence comes first in its bucket.
        self.buckets: list[list[Factor]] = [[own[variable]] for variable in order]
        self.watching: list[list[tuple[int, int]]] = [[] for _ in order]
        # What remains over the core: the factor, and the watched factor or bucket it comes from.
        self.remains: list[tuple[Factor, str, int]] = []
        self.received: list[list[tuple[int, Factor]]] = [[] for _ in order]
        self.kept: list[Clique | None] = [None] * len(order)
        self.heard: list[Factor | None] = [None] * len(order)
        self.marginals: list[Array] = [np.zeros(0)] * len(sizes)
        self.cavities: list[Array] = [np.zeros(0)] * len(sizes)
        self.contexts: dict[int, Array] = {}
        self.log_evidence = 0.0 if not left else float("nan")

    def fill(self, factors: Sequence[Factor], watch: set[int]) -> None:
        """Put each factor into the bucket of its first variable."""
        for index, factor in enumerate(factors):
            goal = min(self.position[v] for v in factor.variables)
            if goal >= len(self.order):
                self.remains.append((factor, "watched", index))
                continue
            if index in watch:
                self.watching[goal].append((index, len(self.buckets[goal])))
            self.buckets[goal].append(factor)

    def forth(self) -> None:
        """Let each bucket send its sum to the bucket of the first variable that is left."""
        for i, variable in enumerate(self.order):
            content = self.buckets[i] + [message for _, message in self.received[i]]
            scope = tuple(sorted({v for f in content for v in f.variables} - {variable}))
            cells = self.cells(variable, scope)
            if cells <= CLIQUE_CELLS:
                clique = Clique(content, (variable, *scope), self.sizes)
                message = normalise(scope, clique.whole.sum(0), clique.scale)
                self.kept[i] = clique if cells <= KEPT_CELLS else None
            else:
                message = multiply(content, scope)
            goal = min((self.position[v] for v in scope), default=-1)
            if goal >= len(self.order):
                self.remains.append((message, "bucket", i))
            elif scope:
                self.received[goal].append((i, message))
            else:
                self.log_evidence += message.log_scale

    def cells(self, variable: int, scope: Sequence[int]) -> int:
        """Cells of a table over a variable and a scope."""
        return prod(self.sizes[v] for v in scope) * self.sizes[variable]

    def without(self, i: int, content: list[Factor], needed: list[int]) -> dict[int, Factor]:
        """Products of a bucket's content without each of the factors at `needed`."""
        variable, clique, heard = self.order[i], self.kept[i], self.heard[i]
        self.kept[i] = None
        scope = tuple(sorted({v for f in content for v in f.variables} - {variable}))
        if clique is None:
            if self.cells(variable, scope) > CLIQUE_CELLS:
                return each_without(content, needed, self.sizes)
            clique = Clique(content, (variable, *scope), self.sizes)
        elif heard is not None:
            clique.multiply_in(heard)
        found = clique.each_without(content, needed)
        return each_without(content, needed, self.sizes) if found is None else found

    def hear_core(self, found: Core, watch: set[int]) -> None:
        """Take what the core says of its variables, of watched factors and of the buckets."""
        for variable in self.left:
            self.marginals[variable] = found.marginals[variable]
            rest = found.marginals[variable] / np.maximum(self.own[variable].table, 1e-12)
            self.cavities[variable] = rest / rest.sum()
        for (factor, kind, index), joint in zip(self.remains, found.joints, strict=True):
            if kind == "watched" and index in watch:
                around = joint / np.maximum(factor.table, 1e-12)
                self.contexts[index] = around / around.sum()
            elif kind == "bucket":
                # The bucket's own message taken out.
                said = np.where(factor.table > 0, joint / np.maximum(factor.table, 1e-300), 0)
                self.heard[index] = normalise(factor.variables, said)

    def back(self) -> None:
        """Let each bucket hear what all the others know. Raises Impossible."""
        for i in reversed(range(len(self.order))):
            variable, heard, received = self.order[i], self.heard[i], self.received[i]
            content = [*self.buckets[i], *(m for _, m in received), *([heard] if heard else [])]
            start = len(self.buckets[i])
            needed = [0, *(k for _, k in self.watching[i]), *range(start, start + len(received))]
            # Each message hears all but itself.
            without = self.without(i, content, needed)
            rest = without[0].table
            belief = rest * self.own[variable].table
            if belief.sum() <= 0:
                raise Impossible("contradiction")
            self.marginals[variable] = belief / belief.sum()
            self.cavities[variable] = rest / rest.sum()
            for index, k in self.watching[i]:
                self.contexts[index] = without[k].table / without[k].table.sum()
            for k, (source, _) in enumerate(received, start=start):
                self.heard[source] = without[k]
