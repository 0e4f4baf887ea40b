"""Approximate beliefs where families are too complex: sampling a cutset, the rest summed exactly.

A few variables (the cutset) are held at values, so that the rest falls apart into narrow pieces
that variable elimination sums exactly. Each variable of the cutset is drawn in turn given all the
others; many chains run side by side as one more axis of every table. Beliefs are averages of exact
conditional distributions, their standard error comes from the differences between the chains.
Source: w-cutset sampling, Bidyuk and Dechter 2007, Journal of Artificial Intelligence Research 28;
for pedigrees Jensen, Kong and Kjaerulff 1995, International Journal of Human-Computer Studies 42
(both from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import prod

import numpy as np
from numpy.typing import NDArray

from genetics.errors import Impossible, TooWide
from genetics.factors import Array, Factor, merged
from genetics.variable_elimination import Core, elimination_order, neighbourhoods

States = NDArray[np.int64]
PERIPHERY_CELLS = 9**4
CONDITIONED_CELLS = 9**2
CHAINS = 64
CHAIN = "Z"
LETTERS = "abcdefghijklmnopqrstuvwxyz"
# Tables are relaxed by these first, so that every chain finds genotypes that fit together.
RELAXED = (1e-1, 1e-2, 1e-4, 1e-8)


@dataclass(frozen=True)
class Operand:
    """A factor (number >= 0) or the message of a step (number < 0: step -1 - number)."""

    number: int
    variables: tuple[int, ...]
    """Those not held at a value, in the order of the table's axes."""
    chained: bool
    """Whether the table has the chains as its first axis."""


@dataclass(frozen=True)
class Step:
    """The elimination of one variable."""

    variable: int
    operands: tuple[Operand, ...]
    scope: tuple[int, ...]
    chained: bool
    formula: str
    path: list[object] = field(default_factory=list)


def cutset(scopes: Sequence[tuple[int, ...]], sizes: Sequence[int], most: int) -> set[int]:
    """Variables to hold so that all others can be eliminated in tables of up to `most` cells.

    Greedy: wherever elimination is stuck, the variable with the most neighbours is held.
    """
    held: set[int] = set()
    while True:
        rest = [tuple(v for v in scope if v not in held) for scope in scopes]
        _, stuck = elimination_order(rest, sizes, most)
        if not stuck:
            return held
        neighbours = neighbourhoods(rest, len(sizes))
        held.add(max(stuck, key=lambda v: (len(neighbours[v]), -v)))


class Network:
    """Tables over variables 0..n-1, of which those of `held` are given by each chain's state."""

    def __init__(
        self,
        scopes: Sequence[tuple[int, ...]],
        sizes: Sequence[int],
        held: set[int],
        last: int | None = None,
    ) -> None:
        """Plan the elimination of all variables that aren't held; `last` comes last."""
        self.held, self.scopes = held, scopes
        open_scopes = [tuple(v for v in scope if v not in held) for scope in scopes]
        order, _ = elimination_order(open_scopes, sizes, 10**12)
        order = [v for v in order if v not in held and v != last]
        if last is not None:
            order.append(last)
        position = {v: i for i, v in enumerate(order)}
        buckets: list[list[Operand]] = [[] for _ in order]
        self.constant: list[int] = []
        for number, (scope, free) in enumerate(zip(scopes, open_scopes, strict=True)):
            operand = Operand(number, free, len(free) < len(scope))
            if free:
                buckets[min(position[v] for v in free)].append(operand)
            else:
                self.constant.append(number)
        self.steps: list[Step] = []
        for i, variable in enumerate(order):
            step = self.step(variable, buckets[i], sizes)
            if step.scope:
                message = Operand(-1 - i, step.scope, step.chained)
                buckets[min(position[v] for v in step.scope)].append(message)
            self.steps.append(step)

    @staticmethod
    def step(variable: int, operands: Sequence[Operand], sizes: Sequence[int]) -> Step:
        """Sum one variable out of the product of its operands."""
        scope = tuple(sorted({v for o in operands for v in o.variables} - {variable}))
        letter = {v: LETTERS[k] for k, v in enumerate((variable, *scope))}
        chained = any(o.chained for o in operands)
        parts = [
            (CHAIN if o.chained else "") + "".join(letter[v] for v in o.variables) for o in operands
        ]
        result = (CHAIN if chained else "") + "".join(letter[v] for v in scope)
        formula = ",".join(parts) + "->" + result
        shapes = [
            np.broadcast_to(np.zeros(1), [CHAINS] * o.chained + [sizes[v] for v in o.variables])
            for o in operands
        ]
        path = np.einsum_path(formula, *shapes, optimize="greedy")[0]
        return Step(variable, tuple(operands), scope, chained, formula, path)

    def forward(
        self, tables: Sequence[Array], state: States
    ) -> tuple[list[Array], NDArray[np.bool_]]:
        """Messages of all steps, and which chains have a positive probability."""
        chains = len(state)
        alive = np.ones(chains, bool)
        self.sliced: dict[int, Array] = {}
        for number, scope in enumerate(self.scopes):
            held = [axis for axis, v in enumerate(scope) if v in self.held]
            if not held:
                self.sliced[number] = tables[number]
                continue
            free = [axis for axis in range(len(scope)) if axis not in held]
            table = tables[number].transpose([*held, *free])
            self.sliced[number] = table[tuple(state[:, scope[axis]] for axis in held)]
        for number in self.constant:
            alive &= self.sliced[number] > 0
        messages: list[Array] = []
        for step in self.steps:
            operands = [self.table(o, messages) for o in step.operands]
            message = np.einsum(step.formula, *operands, optimize=step.path)
            if step.chained:
                top = message.reshape(chains, -1).max(1)
                alive &= top > 0
                shape = [chains] + [1] * (message.ndim - 1)
                message = message / np.where(top > 0, top, 1.0).reshape(shape)
            else:
                top = message.max()
                if top <= 0:
                    alive[:] = False
                message = message / (top if top > 0 else 1.0)
            messages.append(message)
        return messages, alive

    def table(self, operand: Operand, messages: Sequence[Array]) -> Array:
        """Return the numbers of an operand."""
        number = operand.number
        return self.sliced[number] if number >= 0 else messages[-1 - number]

    def conditional(self, step: Step, messages: Sequence[Array], state: States) -> Array:
        """Distribution (chains, states) of a step's variable given the state of its scope."""
        chains = np.arange(len(state))
        weight: Array | None = None
        for operand in step.operands:
            table = self.table(operand, messages)
            axis = operand.variables.index(step.variable) + operand.chained
            table = np.moveaxis(table, axis, -1)
            index = [state[:, v] for v in operand.variables if v != step.variable]
            if operand.chained:
                index.insert(0, chains)
            value = table[tuple(index)] if index else table[None]
            weight = value if weight is None else weight * value
        assert weight is not None
        weight = np.broadcast_to(weight, (len(state), weight.shape[-1]))
        total = weight.sum(-1, keepdims=True)
        return np.asarray(np.where(total > 0, weight / np.where(total > 0, total, 1), 0))


def drawn(chance: Array, rng: np.random.Generator) -> States:
    """Return a state for each row of a distribution (chains, states)."""
    reached = np.cumsum(chance, -1)
    dice = rng.random((len(chance), 1)) * reached[:, -1:]
    return np.asarray(np.minimum((reached <= dice).sum(-1), chance.shape[-1] - 1))


class CutsetSampler:
    """A method for the core of a network, see `elimination.propagate`; its error is kept here."""

    def __init__(
        self,
        rng: np.random.Generator,
        aim: float = 0.002,
        most_sweeps: int = 1000,
        burn_in: int = 20,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        """Sweeps go on until the largest standard error of a belief is below `aim`.

        `progress` hears after every sweep how much of the work is done, 0 to 1.
        """
        self.rng, self.aim, self.most_sweeps, self.burn_in = rng, aim, most_sweeps, burn_in
        self.error, self.converged, self.sweeps = 0.0, True, 0
        self.progress = progress

    def __call__(
        self,
        variables: list[int],
        factors: list[Factor],
        own: Sequence[Factor],
        sizes: Sequence[int],
    ) -> Core:
        """Beliefs of the core and joints over its factors. Raises TooWide, Impossible."""
        place = {v: i for i, v in enumerate(variables)}
        few = merged([*factors, *(own[v] for v in variables)])
        scopes = [tuple(place[v] for v in f.variables) for f in few]
        tables = [f.table for f in few]
        local = [sizes[v] for v in variables]
        held = cutset(scopes, local, CONDITIONED_CELLS)
        whole = Network(scopes, local, held)
        parts = {v: Network(scopes, local, held - {v}, last=v) for v in sorted(held)}
        widest = max(prod(local[u] for u in s.scope) for n in parts.values() for s in n.steps)
        if widest > CONDITIONED_CELLS * 9:
            raise TooWide("too_wide_to_sample")
        state = self.start(scopes, tables, local, parts, whole)
        means = [np.zeros((CHAINS, k)) for k in local]
        wanted = {f.variables: tuple(place[v] for v in f.variables) for f in factors}
        counts = {key: np.zeros(prod(local[v] for v in at)) for key, at in wanted.items()}
        counted = 0
        for sweep in range(1, self.most_sweeps + self.burn_in + 1):
            seen = self.sweep(state, tables, parts, whole)
            if sweep <= self.burn_in:
                continue
            counted += 1
            if self.progress is not None:
                self.progress(self.done(counted))
            for v, chance in seen.items():
                means[v] += chance
            for key, at in wanted.items():
                cell = np.ravel_multi_index([state[:, v] for v in at], [local[v] for v in at])
                counts[key] += np.bincount(cell, minlength=len(counts[key]))
            if counted >= 20 and counted % 10 == 0:
                self.error = largest_error(means, counted)
                if self.error < self.aim:
                    break
        self.sweeps, self.error = counted, largest_error(means, counted)
        self.converged = self.error < self.aim
        beliefs = {v: means[place[v]].sum(0) / means[place[v]].sum() for v in variables}
        joints = [
            (counts[f.variables] / counts[f.variables].sum()).reshape(f.table.shape)
            for f in factors
        ]
        return Core(beliefs, joints)

    def done(self, counted: int) -> float:
        """Share of the work done: the error falls with the root of the sweeps."""
        by_error = (self.aim / self.error) ** 2 if self.error else 0.0
        return min(1.0, max(by_error, counted / self.most_sweeps))

    def sweep(
        self,
        state: States,
        tables: Sequence[Array],
        parts: dict[int, Network],
        whole: Network,
    ) -> dict[int, Array]:
        """Draw every variable anew, in place; returns the distributions that they came from."""
        seen = {}
        for v in self.rng.permutation(list(parts)).tolist():
            network = parts[v]
            messages, _ = network.forward(tables, state)
            seen[v] = network.conditional(network.steps[-1], messages, state)
            state[:, v] = drawn(seen[v], self.rng)
        messages, _ = whole.forward(tables, state)
        for step in reversed(whole.steps):
            seen[step.variable] = whole.conditional(step, messages, state)
            state[:, step.variable] = drawn(seen[step.variable], self.rng)
        return seen

    def start(
        self,
        scopes: Sequence[tuple[int, ...]],
        tables: Sequence[Array],
        sizes: Sequence[int],
        parts: dict[int, Network],
        whole: Network,
    ) -> States:
        """Return a state of positive probability for every chain, by way of relaxed tables."""
        state = np.stack([self.rng.integers(k, size=CHAINS) for k in sizes], 1)
        for slack in RELAXED:
            relaxed = [table + slack * table.max() for table in tables]
            for _ in range(2):
                self.sweep(state, relaxed, parts, whole)
        _, alive = whole.forward(tables, state)
        if not alive.any():
            raise Impossible("no_start_found")
        good = np.flatnonzero(alive)
        dead = np.flatnonzero(~alive)
        state[dead] = state[self.rng.choice(good, len(dead))]
        return state


def largest_error(means: Sequence[Array], sweeps: int) -> float:
    """Largest standard error of a belief, from the differences between the chains' means."""
    return max(float((m / sweeps).std(0, ddof=1).max()) for m in means) / CHAINS**0.5
