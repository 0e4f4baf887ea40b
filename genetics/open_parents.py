"""Parents that are one of several, where they can't be summed with a brood."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from genetics.factors import Array, Factor, normalise
from genetics.pedigree import Layer, Pedigree, Rows


class OpenParents:
    """Variables for parents that are one of several: which one it is, and its genotype.

    Given which of k birds it is, a parent's genotype is that bird's: k small tables of (which,
    bird, genotype) say so, instead of one over all k birds. Which one it is holds for all layers.
    """

    def __init__(
        self,
        pedigree: Pedigree,
        layers: Sequence[Layer],
        core: Rows,
        weights: Mapping[int, Array],
    ) -> None:
        self.factors: list[Factor] = []
        self.sizes: list[int] = []
        self.own: list[Factor] = []
        self.stand_ins: list[dict[int, tuple[int, int]]] = [{} for _ in layers]
        self.which: dict[int, tuple[int, int]] = {}
        self.layers, self.count = layers, len(core)
        self.place = {row: i for i, row in enumerate(core.tolist())}
        for bird, some in pedigree.candidates.items():
            if bird not in self.place:
                continue
            weight = weights.get(bird)
            sides = []
            for axis, rows in ((1, some.sires), (0, some.dams)):
                even = np.full(len(rows), 1 / max(1, len(rows)))
                chance = weight.sum(axis) if weight is not None and rows else even
                sides.append(self.one_of(rows, chance))
            self.which[bird] = (sides[0][0], sides[1][0])
            for number in range(len(layers)):
                self.stand_ins[number][bird] = (sides[0][1][number], sides[1][1][number])

    def variable(self, own: Array) -> int:
        """Return a further variable with its own factor."""
        number = len(self.layers) * self.count + len(self.sizes)
        self.sizes.append(len(own))
        self.own.append(normalise((number,), own))
        return number

    def one_of(self, rows: tuple[int, ...], chance: Array) -> tuple[int, list[int]]:
        """Return the variable that tells which of `rows` it is, and its genotype's by layer."""
        if not rows:
            return -1, [-1] * len(self.layers)
        which = self.variable(chance)
        found = []
        for number, layer in enumerate(self.layers):
            states = layer.states
            parent = self.variable(np.ones(states))
            for i, row in enumerate(rows):
                table = np.ones((len(rows), states, states))
                table[i] = np.eye(states)
                scope = (which, number * self.count + self.place[row], parent)
                order = np.argsort(scope)
                self.factors.append(
                    Factor(tuple(scope[k] for k in order), table.transpose(order.tolist()))
                )
            found.append(parent)
        return which, found
