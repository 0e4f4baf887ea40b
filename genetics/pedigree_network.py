"""One or several layers of a pedigree as one network of tables, and what it says of every bird.

Birds with chicks on record are its variables; chicks without chicks of their own are summed by
brood (`broods.py`). Layers that are joined share the birds' coupled evidence and which of several
possible parents it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, reduce

import numpy as np
from numpy.typing import NDArray

from genetics.broods import Inherited, broods_of, leaves_of, pairs_of_genotypes
from genetics.cutset_sampling import PERIPHERY_CELLS, CutsetSampler
from genetics.errors import Impossible, TooWide
from genetics.factors import Array, Factor, normalise
from genetics.genotype_elimination import eliminate_genotypes, restore_genotypes
from genetics.open_parents import OpenParents
from genetics.pedigree import Layer, Pedigree, Rows
from genetics.variable_elimination import MOST_CELLS, Beliefs, elimination_order, propagate


@dataclass
class Answer:
    """What one network says; arrays have a row for every bird of the pedigree."""

    marginals: list[Array]
    """By layer, (n, K): given everything."""
    cavities: list[Array]
    """By layer, (n, K): given everything but the bird's own evidence at this layer."""
    log_evidence: float
    seen: Array
    """(n, K): the likelihoods over all layers together that it rests on."""
    coupled: dict[int, Array] = field(default_factory=dict)
    """By bird with coupled evidence, the joint distribution over the layers."""
    around: dict[int, Array] = field(default_factory=dict)
    """The same without the coupled evidence."""
    families: dict[int, Array] = field(default_factory=dict)
    """Of one layer alone: by bird with a known parent, (K, K, K) over sire, dam and the bird
    without what it inherits from them; of a chick without chicks (K, K), sire and dam alone."""
    matings: list[tuple[int, int, Array]] = field(default_factory=list)
    """Of one layer alone, by counted mating: rows of sire and dam, and their distribution (K, K)
    without the counts."""
    which: dict[int, Array] = field(default_factory=dict)
    """By bird with several possible parents (sires, dams): how well each pair fits."""


def network(
    pedigree: Pedigree,
    layer: Layer,
    number: int,
    core: Rows,
    stand_ins: Mapping[int, tuple[int, int]],
) -> tuple[list[Factor], list[Factor]]:
    """Factors of one layer over the birds of `core`, and each bird's own evidence.

    The variable of the i-th bird of `core` is `number` * len(core) + i. `stand_ins` gives, by row,
    the variables that stand for its sire and dam where they are one of several, or -1.
    """
    place = np.full(pedigree.count + 1, -1)
    place[core] = number * len(core) + np.arange(len(core))
    inherit = layer.transmission / layer.transmission.max()
    scale = float(np.log(layer.transmission.max()))
    factors = []
    for bird, variable in zip(core.tolist(), place[core].tolist(), strict=True):
        s, d = stand_ins.get(bird, (-1, -1))
        s = int(place[pedigree.sire[bird]]) if pedigree.sire[bird] >= 0 else s
        d = int(place[pedigree.dam[bird]]) if pedigree.dam[bird] >= 0 else d
        if s < 0 and d < 0:
            factors.append(normalise((variable,), layer.prior[bird]))
        elif s < 0 or d < 0:
            average = np.einsum("s,sdc->dc", layer.prior[bird], layer.transmission)
            factors.append(normalise((max(s, d), variable), average))
        else:
            factors.append(Factor((s, d, variable), inherit, scale))
    own = [
        normalise((variable,), layer.likelihoods[bird])
        for bird, variable in zip(core.tolist(), place[core].tolist(), strict=True)
    ]
    return factors, own


class PedigreeNetwork:
    """Layers of a pedigree joined in one network.

    `coupling` gives, by bird, a likelihood over the first layers together. `weights` gives, by
    bird with several possible parents, the chance of each pair (sires, dams) beforehand.
    """

    def __init__(
        self,
        pedigree: Pedigree,
        layers: Sequence[Layer],
        coupling: Mapping[int, Array] | None = None,
        weights: Mapping[int, Array] | None = None,
    ) -> None:
        self.pedigree, self.layers = pedigree, layers
        # Where nothing was seen nothing can be at odds, and nobody asks about families.
        self.with_families = len(layers) == 1 and bool(np.ptp(layers[0].likelihoods, axis=1).any())
        self.coupling = {row: np.asarray(t, float) for row, t in (coupling or {}).items()}
        self.told_apart = weights is not None
        pairs = [pair for layer in layers for pair in layer.pairs]
        parents = pedigree.parents(pairs)
        states = int(np.prod([layer.states for layer in layers]))
        leaves = leaves_of(pedigree, parents, states)
        core = np.ones(pedigree.count, bool)
        core[leaves] = False
        related = parents | (pedigree.sire >= 0) | (pedigree.dam >= 0)
        related[list(pedigree.candidates)] = True
        self.alone = np.flatnonzero(core & ~related)
        core[self.alone] = False
        self.core, self.leaves = np.flatnonzero(core), leaves
        self.inherited = joined(layers)
        self.broods = broods_of(
            pedigree, leaves, self.inherited, dict(weights) if weights is not None else None
        )
        self.open_parents = OpenParents(pedigree, layers, self.core, weights or {})
        self.seen = self.joint_likelihoods()
        self.watched: list[tuple[str, int]] = []
        self.factors, self.own, self.sizes = self.tables()

    def joint_likelihoods(self) -> Array:
        """Likelihoods (n, K) of all birds over the layers together, coupled evidence included."""
        shape = [layer.states for layer in self.layers]
        seen = self.layers[0].likelihoods
        for layer in self.layers[1:]:
            seen = np.einsum("nk,nl->nkl", seen, layer.likelihoods).reshape(len(seen), -1)
        if self.coupling:
            seen = seen.copy()
            for bird, table in self.coupling.items():
                wide = table.reshape(table.shape + (1,) * (len(shape) - table.ndim))
                seen[bird] *= np.broadcast_to(wide, shape).ravel()
        return seen

    def tables(self) -> tuple[list[Factor], list[Factor], list[int]]:
        """Return all factors, own evidence and sizes; what is watched comes first."""
        count = len(self.core)
        place = {row: i for i, row in enumerate(self.core.tolist())}
        shape = [layer.states for layer in self.layers]
        first: list[Factor] = []
        links: list[Factor] = []
        self.pair_sizes: list[int] = []
        self.pairs: dict[tuple[int, ...], int] = {}
        self.brood_sizes: list[int] = []
        self.log_scale = 0.0
        for brood in self.broods:
            found = brood.tables(self.seen)
            self.brood_sizes.append(len(found))
            for pools, table, scale in found:
                variables: list[int] = []
                sides: list[int] = []
                for pool in pools:
                    if len(pool) == 1:
                        variables += self.variables_of(place[pool[0]])
                        sides += shape
                    else:
                        variables.append(self.pair_variable(pool, place, links))
                        sides.append(self.pair_sizes[-1])
                first.append(Factor(tuple(variables), table.reshape(sides)))
                self.log_scale += scale
        for bird, table in self.coupling.items():
            if bird in place:
                self.watched.append(("coupled", bird))
                variables = [number * count + place[bird] for number in range(table.ndim)]
                first.append(normalise(tuple(variables), table))
        rest: list[Factor] = []
        own: list[Factor] = []
        sizes: list[int] = []
        for number, layer in enumerate(self.layers):
            stand_ins = self.open_parents.stand_ins[number]
            inherited, mine = network(self.pedigree, layer, number, self.core, stand_ins)
            for bird, factor in zip(self.core.tolist(), inherited, strict=True):
                known = self.pedigree.sire[bird] >= 0 or self.pedigree.dam[bird] >= 0
                if self.with_families and known and bird not in self.pedigree.candidates:
                    self.watched.append(("family", bird))
                    first.append(factor)
                else:
                    rest.append(factor)
            for i, pair in enumerate(layer.pairs):
                scope = (number * count + place[pair.sire], number * count + place[pair.dam])
                self.watched.append(("mating", i))
                first.append(normalise(scope, pair.likelihood))
            own += mine
            sizes += [layer.states] * count
        own += self.open_parents.own
        own += [Factor((len(own) + i,), np.ones(size)) for i, size in enumerate(self.pair_sizes)]
        return (
            [*first, *rest, *self.open_parents.factors, *links],
            own,
            sizes + self.open_parents.sizes + self.pair_sizes,
        )

    def variables_of(self, place: int) -> list[int]:
        """Variables of a bird of the core, a layer each."""
        return [number * len(self.core) + place for number in range(len(self.layers))]

    def pair_variable(
        self, pool: tuple[int, ...], place: Mapping[int, int], links: list[Factor]
    ) -> int:
        """Return the variable of two birds' genotypes as a set; a new one is linked to them."""
        if pool not in self.pairs:
            shape = [layer.states for layer in self.layers]
            linked = pairs_of_genotypes(self.inherited.states)
            start = len(self.layers) * len(self.core) + len(self.open_parents.sizes)
            self.pairs[pool] = start + len(self.pair_sizes)
            self.pair_sizes.append(linked.shape[-1])
            scope = [v for bird in pool for v in self.variables_of(place[bird])]
            table = linked.reshape(*shape, *shape, linked.shape[-1])
            links.append(Factor((*scope, self.pairs[pool]), table))
        return self.pairs[pool]

    @property
    def most_cells(self) -> int:
        """The largest table that is allowed."""
        return max(MOST_CELLS, *(f.table.size for f in self.factors)) if self.factors else 1

    @cached_property
    def order(self) -> tuple[list[int], list[int]]:
        """The order of elimination, and what can't be eliminated."""
        return elimination_order([f.variables for f in self.factors], self.sizes, self.most_cells)

    def too_wide(self) -> Rows:
        """Return birds whose tables would be too large."""
        _, left = self.order
        birds = {v % len(self.core) for v in left if v < len(self.layers) * len(self.core)}
        if left and not birds:  # only stand-ins of possible parents are left
            return self.core
        return self.core[sorted(birds)]

    def answer(self, sampler: CutsetSampler | None = None) -> Answer:
        """Return what is known of every bird. Raises Impossible, TooWide without `sampler`."""
        watched = list(range(sum(self.brood_sizes) + len(self.watched)))
        return self.read(self.solve(watched, sampler))

    def solve(self, watched: list[int], sampler: CutsetSampler | None) -> Beliefs:
        """Exact beliefs, if need be without the genotypes that are ruled out; else sampled."""
        factors, own, sizes, most = self.factors, self.own, self.sizes, self.most_cells
        if sampler is None:
            try:
                return propagate(factors, own, sizes, watched, most=most, order=self.order)
            except TooWide:
                few = eliminate_genotypes(factors, own, sizes)
            beliefs = propagate(few.factors, few.own, few.sizes, watched, most=most)
            return restore_genotypes(beliefs, few, sizes, watched, factors)
        few = eliminate_genotypes(factors, own, sizes)
        beliefs = propagate(few.factors, few.own, few.sizes, watched, sampler, PERIPHERY_CELLS)
        return restore_genotypes(beliefs, few, sizes, watched, factors)

    def read(self, beliefs: Beliefs) -> Answer:
        """Carry beliefs of the core to all birds."""
        count, birds = len(self.core), self.pedigree.count
        found = Answer(
            [np.zeros((birds, layer.states)) for layer in self.layers],
            [np.zeros((birds, layer.states)) for layer in self.layers],
            beliefs.log_evidence + self.log_scale,
            self.seen,
        )
        for number, layer in enumerate(self.layers):
            part = slice(number * count, (number + 1) * count)
            found.marginals[number][self.core] = np.reshape(
                beliefs.marginals[part], (-1, layer.states)
            )
            found.cavities[number][self.core] = np.reshape(
                beliefs.cavities[part], (-1, layer.states)
            )
        start = sum(self.brood_sizes)
        for index, (kind, bird) in enumerate(self.watched, start=start):
            if kind == "family":
                found.families[bird] = self.oriented(bird, beliefs.contexts[index])
                continue
            if kind == "mating":
                pair = self.layers[0].pairs[bird]
                found.matings.append((pair.sire, pair.dam, beliefs.contexts[index]))
                continue
            joint = beliefs.contexts[index] * self.factors[index].table
            found.coupled[bird] = joint / joint.sum()
            self.put_around(bird, beliefs.contexts[index], found)
        for bird, (sire, dam) in self.open_parents.which.items():
            fits = [beliefs.cavities[v] if v >= 0 else np.ones(1) for v in (sire, dam)]
            found.which[bird] = np.outer(*fits)
        self.read_leaves(beliefs, found)
        self.read_alone(found)
        return found

    def oriented(self, bird: int, context: Array) -> Array:
        """Return the context of a bird's transmission over sire, dam and bird (K, K, K)."""
        prior = self.layers[0].prior[bird]
        if self.pedigree.sire[bird] < 0:
            return np.asarray(np.einsum("s,dc->sdc", prior, context))
        if self.pedigree.dam[bird] < 0:
            return np.asarray(np.einsum("d,sc->sdc", prior, context))
        return context

    def read_leaves(self, beliefs: Beliefs, found: Answer) -> None:
        """Carry what is known of the parents to the chicks that were summed."""
        shape = [layer.states for layer in self.layers]
        start = 0
        for brood, size in zip(self.broods, self.brood_sizes, strict=True):
            contexts = [beliefs.contexts[i] for i in range(start, start + size)]
            start += size
            for chicks in brood.chicks(contexts, self.seen):
                self.spread_out(chicks.rows, chicks.cavities, shape, found)
                if chicks.pairs is not None and self.with_families:
                    turned = (self.pedigree.sire[chicks.rows] < 0) & (
                        self.pedigree.dam[chicks.rows] >= 0
                    )
                    for row, table, turn in zip(
                        chicks.rows.tolist(), chicks.pairs, turned.tolist(), strict=True
                    ):
                        found.families[row] = table.T if turn else table
                if chicks.which is not None:
                    found.which |= dict(zip(chicks.rows.tolist(), chicks.which, strict=True))

    def read_alone(self, found: Answer) -> None:
        """Birds without relatives: what founders have, and what was seen of them."""
        if len(self.alone):
            prior = self.inherited.prior[self.alone]
            shape = [layer.states for layer in self.layers]
            total = (prior * self.seen[self.alone]).sum(1)
            if (total <= 0).any():
                raise Impossible("contradiction")
            found.log_evidence += float(np.log(total).sum())
            self.spread_out(self.alone, prior, shape, found)

    def spread_out(self, rows: Rows, cavities: Array, shape: list[int], found: Answer) -> None:
        """Put birds' joint distributions without their own evidence (n, K) into the answer."""
        joint = cavities * self.seen[rows]
        total = joint.sum(1, keepdims=True)
        if (total <= 0).any():
            raise Impossible("contradiction")
        joint = (joint / total).reshape(-1, *shape)
        free = cavities.reshape(-1, *shape)
        if len(shape) == 1:
            found.marginals[0][rows], found.cavities[0][rows] = joint, free
            return
        tables: NDArray[np.float64] = self.seen[rows].reshape(-1, *shape)
        for number, layer in enumerate(self.layers):
            others = tuple(axis for axis in range(1, len(shape) + 1) if axis != number + 1)
            found.marginals[number][rows] = joint.sum(others)
            mine = layer.likelihoods[rows].reshape(
                len(rows), *(layer.states if i == number else 1 for i in range(len(shape)))
            )
            rest = np.where(mine > 0, tables / np.where(mine > 0, mine, 1), 0)
            cavity = (free * rest).sum(others)
            found.cavities[number][rows] = cavity / cavity.sum(1, keepdims=True)
        for i, row in enumerate(rows.tolist()):
            if row in self.coupling:
                more = tuple(range(self.coupling[row].ndim, len(shape)))
                found.coupled[row] = joint[i].sum(more)
                self.put_around(row, (free[i] * self.layer_likelihoods(row)).sum(more), found)

    def put_around(self, row: int, around: Array, found: Answer) -> None:
        """Put what is known of a bird without its coupled evidence, all it has at layer 0."""
        found.around[row] = around / around.sum()
        found.cavities[0][row] = found.around[row].sum(tuple(range(1, around.ndim)))

    def layer_likelihoods(self, row: int) -> Array:
        """Return a bird's own evidence of each layer, multiplied out over all of them."""
        return reduce(np.multiply.outer, [layer.likelihoods[row] for layer in self.layers])


def joined(layers: Sequence[Layer]) -> Inherited:
    """Return how several layers are inherited together, their genotypes multiplied out."""
    transmission, prior = layers[0].transmission, layers[0].prior
    for layer in layers[1:]:
        size = transmission.shape[-1] * layer.states
        transmission = np.einsum("abc,xyz->axbycz", transmission, layer.transmission).reshape(
            size, size, size
        )
        prior = np.einsum("nk,nl->nkl", prior, layer.prior).reshape(len(prior), -1)
    return Inherited(transmission, np.asarray(prior))
