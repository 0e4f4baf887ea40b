"""Genotype elimination: states that no table of the network allows are struck out.

What it strikes has probability 0, so that the answer stays exact. On pedigrees without loops it
finds all such states: Lange and Goradia 1987, American Journal of Human Genetics 40 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from genetics.errors import Impossible
from genetics.factors import Array, Factor, normalise
from genetics.variable_elimination import Beliefs


@dataclass(frozen=True)
class Narrowed:
    """A network over the states that are left."""

    factors: list[Factor]
    own: list[Factor]
    sizes: list[int]
    states: list[NDArray[np.int64]]
    """By variable, which states are left."""


def eliminate_genotypes(
    factors: Sequence[Factor], own: Sequence[Factor], sizes: Sequence[int]
) -> Narrowed:
    """Return the same network without the states that can't occur. Raises Impossible if none is
    left.
    """
    alive = [np.asarray(f.table > 0) for f in own]
    positive = [np.asarray(f.table > 0) for f in factors]
    changed = True
    while changed:
        changed = False
        for factor, allowed in zip(factors, positive, strict=True):
            dimensions = len(factor.variables)
            held = allowed
            for axis, variable in enumerate(factor.variables):
                shape = [1] * dimensions
                shape[axis] = -1
                held = held & alive[variable].reshape(shape)
            for axis, variable in enumerate(factor.variables):
                rest = tuple(i for i in range(dimensions) if i != axis)
                support = held.any(rest)
                if (alive[variable] & ~support).any():
                    alive[variable] = alive[variable] & support
                    changed = True
                if not alive[variable].any():
                    raise Impossible("contradiction")
    states = [np.flatnonzero(a) for a in alive]
    few = [
        normalise(f.variables, f.table[np.ix_(*(states[v] for v in f.variables))], f.log_scale)
        for f in factors
    ]
    mine = [normalise(f.variables, f.table[states[i]], f.log_scale) for i, f in enumerate(own)]
    return Narrowed(few, mine, [len(s) for s in states], states)


def restore_genotypes(
    beliefs: Beliefs,
    few: Narrowed,
    sizes: Sequence[int],
    watched: Sequence[int],
    factors: Sequence[Factor],
) -> Beliefs:
    """Beliefs over all states again: those struck out have probability 0."""

    def full(small: Array, variables: Sequence[int]) -> Array:
        table = np.zeros([sizes[v] for v in variables])
        table[np.ix_(*(few.states[v] for v in variables))] = small
        return table

    return Beliefs(
        [full(m, [v]) for v, m in enumerate(beliefs.marginals)],
        [full(m, [v]) for v, m in enumerate(beliefs.cavities)],
        {i: full(beliefs.contexts[i], factors[i].variables) for i in watched},
        beliefs.log_evidence,
    )
