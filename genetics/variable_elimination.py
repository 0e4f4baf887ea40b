"""Exact sums over a network of tables: variable elimination forth and back, in log space.

A variable is a number 0..n-1 with a number of states; a factor is a table over a few variables.
Pedigrees are one such network (`pedigree.py`): a variable is a bird's genotype at some loci.
Source: bucket elimination and its backward pass, Dechter 1999, Artificial Intelligence 113; Koller
and Friedman 2009, Probabilistic Graphical Models, chapters 9 and 10 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from heapq import heapify, heappop, heappush
from math import prod

import numpy as np
from numpy.typing import NDArray

from genetics.errors import GeneticsError

Array = NDArray[np.float64]
MOST_CELLS = 9**7
MOST_OPERANDS = 20
CLIQUE_CELLS = 9**5  # up to here a bucket's tables are multiplied out over all its variables
KEPT_CELLS = 3**7  # up to here the product is kept for the way back
TINY = 1e-150  # a table with smaller cells isn't divided by
SMALL = 2 * 9**3  # cells times tables below which products aren't planned


class PedigreeError(GeneticsError):
    """A pedigree that can't be used; the message names the birds by their row."""

    exit_code = 1


class TooWide(PedigreeError):
    """Exact inference would need tables of more than MOST_CELLS cells."""


class Impossible(PedigreeError):
    """What is recorded has probability 0 together."""


@dataclass(frozen=True)
class Factor:
    """A table over some variables, scaled so that its largest cell is 1."""

    variables: tuple[int, ...]
    table: Array
    log_scale: float = 0.0

    @cached_property
    def smallest(self) -> float:
        """The smallest cell."""
        return float(self.table.min())


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


def normalise(variables: tuple[int, ...], table: Array, log_scale: float = 0.0) -> Factor:
    """Return a factor with its scale taken out; Impossible if the table is all zero."""
    top = float(table.max())
    if top <= 0:
        raise Impossible("contradiction")
    return Factor(variables, table / top, log_scale + float(np.log(top)))


def grouped(factors: Sequence[Factor]) -> dict[tuple[int, ...], list[Factor]]:
    """Factors by their scope."""
    groups: dict[tuple[int, ...], list[Factor]] = {}
    for factor in factors:
        groups.setdefault(factor.variables, []).append(factor)
    return groups


def logs_of(factors: Sequence[Factor]) -> Array:
    """Logarithms of tables of one scope, stacked (k, ...); log 0 is -inf."""
    with np.errstate(divide="ignore"):
        return np.log(np.stack([f.table for f in factors]))


def from_logs(variables: tuple[int, ...], logs: Array, log_scale: float = 0.0) -> Factor:
    """Return a factor from the logarithm of its table; Impossible if that is -inf everywhere."""
    top = float(logs.max())
    if top == -np.inf:
        raise Impossible("contradiction")
    return Factor(variables, np.exp(logs - top), log_scale + top)


def merged(factors: Sequence[Factor]) -> list[Factor]:
    """Return the same product with one factor a scope.

    Hundreds of chicks of a pair become one table.
    """
    return [
        from_logs(variables, logs_of(group).sum(0), sum(f.log_scale for f in group))
        if len(group) > 1
        else group[0]
        for variables, group in grouped(factors).items()
    ]


def multiply(factors: Sequence[Factor], keep: tuple[int, ...]) -> Factor:
    """Product of factors, summed over all variables but those to keep."""
    few = merged(factors)
    place = {v: i for i, v in enumerate(sorted({v for f in few for v in f.variables}))}
    # einsum takes a limited number of tables: more are multiplied part by part.
    while len(few) > MOST_OPERANDS:
        part, few = few[:MOST_OPERANDS], few[MOST_OPERANDS:]
        few.append(multiply(part, tuple(sorted({v for f in part for v in f.variables}))))
    operands: list[object] = []
    for factor in few:
        operands += [factor.table, [place[v] for v in factor.variables]]
    states = {v: n for f in few for v, n in zip(f.variables, f.table.shape, strict=True)}
    # Looking for a good order costs more than small products take.
    how = "greedy" if prod(states.values()) * len(few) > SMALL else False
    table = np.einsum(*operands, [place[v] for v in keep], optimize=how)  # type: ignore[call-overload]
    return normalise(keep, np.asarray(table), sum(f.log_scale for f in few))


def each_without(
    factors: Sequence[Factor], needed: Collection[int], sizes: Sequence[int]
) -> dict[int, Factor]:
    """For the factors at the indices `needed`, the product of all others over the factor's scope.

    Factors of one scope share the work: what lies outside the scope is summed once, and inside
    it sums of logarithms from both ends leave one factor out at a time.
    """
    wanted = {id(factors[i]) for i in needed}
    answers: dict[int, Factor] = {}
    groups = grouped(factors)
    for variables, group in groups.items():
        if not any(id(f) in wanted for f in group):
            continue
        outside = [f for scope, members in groups.items() if scope != variables for f in members]
        if len(group) == 1:
            answers[id(group[0])] = (
                spread(multiply(outside, shared(outside, variables)), variables, sizes)
                if outside
                else Factor(variables, np.ones(group[0].table.shape))
            )
            continue
        logs = logs_of(group)
        empty = np.zeros((1, *logs.shape[1:]))
        before = np.concatenate([empty, np.cumsum(logs, 0)[:-1]])
        after = np.concatenate([np.cumsum(logs[::-1], 0)[::-1][1:], empty])
        around = (
            logs_of([spread(multiply(outside, shared(outside, variables)), variables, sizes)])[0]
            if outside
            else 0.0
        )
        for factor, left in zip(group, before + after, strict=True):
            answers[id(factor)] = from_logs(variables, left + around)
    return {i: answers[id(factors[i])] for i in needed}


def aligned(factor: Factor, variables: Sequence[int]) -> Array:
    """Return a factor's table with the axes of `variables`, of length 1 where it lacks one."""
    place = [factor.variables.index(v) for v in variables if v in factor.variables]
    shape = [
        factor.table.shape[factor.variables.index(v)] if v in factor.variables else 1
        for v in variables
    ]
    return factor.table.transpose(place).reshape(shape)


class Clique:
    """The product of some factors over all their variables, out of which each can be divided.

    Factors with cells of 0 can't be divided by; they are kept apart from the firm ones.
    """

    def __init__(
        self, factors: Sequence[Factor], variables: Sequence[int], sizes: Sequence[int]
    ) -> None:
        """Multiply out. Raises Impossible."""
        self.variables = variables
        self.shape = [sizes[v] for v in variables]
        self.firm: Array | float = 1.0
        self.holed: list[Factor] = []
        self.scale = 0.0
        self.count = 0
        for factor in factors:
            self.multiply_in(factor)

    def multiply_in(self, factor: Factor) -> None:
        """Multiply with a further factor. Raises Impossible."""
        self.scale += factor.log_scale
        if factor.smallest < TINY:
            self.holed.append(factor)
            return
        self.firm = self.firm * aligned(factor, self.variables)
        self.count += 1
        if self.count % 8 == 0:
            # Many small numbers multiplied would vanish.
            top = float(self.firm.max())
            self.firm = self.firm / top
            self.scale += float(np.log(top))

    @property
    def whole(self) -> Array:
        """The product of all factors."""
        found = self.firm
        for factor in self.holed:
            found = found * aligned(factor, self.variables)
        return np.broadcast_to(found, self.shape)

    def each_without(
        self, factors: Sequence[Factor], needed: Collection[int]
    ) -> dict[int, Factor] | None:
        """Return what `each_without` does for the same factors; None where it can't be divided."""
        # What is small after much multiplying may be an underflow: then nothing is divided.
        if np.min(self.firm) < TINY:
            return None
        whole = self.whole
        answers = {}
        for i in needed:
            factor = factors[i]
            inside = tuple(v for v in self.variables if v in factor.variables)
            outside = tuple(k for k, v in enumerate(self.variables) if v not in factor.variables)
            if factor.smallest >= TINY:
                table = whole.sum(outside) / aligned(factor, inside)
            else:
                rest = self.firm
                for other in self.holed:
                    if other is not factor:
                        rest = rest * aligned(other, self.variables)
                table = np.broadcast_to(rest, self.shape).sum(outside)
            order = [inside.index(v) for v in factor.variables]
            answers[i] = normalise(factor.variables, table.transpose(order))
        return answers


def shared(factors: Sequence[Factor], variables: tuple[int, ...]) -> tuple[int, ...]:
    """Those of `variables` that occur in any of the factors."""
    known = {v for f in factors for v in f.variables}
    return tuple(v for v in variables if v in known)


def spread(factor: Factor, variables: tuple[int, ...], sizes: Sequence[int]) -> Factor:
    """Return the factor over more variables, on which it doesn't depend.

    `variables` keeps its order.
    """
    shape = [sizes[v] if v in factor.variables else 1 for v in variables]
    table = np.broadcast_to(factor.table.reshape(shape), [sizes[v] for v in variables])
    return Factor(variables, table, factor.log_scale)


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
