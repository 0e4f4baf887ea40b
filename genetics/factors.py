"""Tables over a few variables, and their products: what variable elimination works on."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import prod

import numpy as np
from numpy.typing import NDArray

from genetics.errors import Impossible

Array = NDArray[np.float64]
MOST_OPERANDS = 20
SMALL = 2 * 9**3  # cells times tables below which products aren't planned
TINY = 1e-150  # a table with smaller cells isn't divided by


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
