"""Posteriors of a whole flock: exact by variable elimination, loops included, or approximate.

Birds are rows of arrays; -1 stands for an unknown parent. A bird with one unknown parent gets
a founder in its place. A `Layer` is what is inherited at some loci that assort together in one
table (R and P: nine genotypes; crest: three). Layers hang together only where a bird's evidence
couples them, and are then inferred jointly. Where the families are too complex for tables of
MOST_CELLS cells, genotypes that no relative allows are struck out first; if that isn't enough, and
the caller gives a random generator, `sampling.py` answers, and the answer says 'approximate'.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from genetics.cross import transmission
from genetics.cutset_sampling import PERIPHERY_CELLS, CutsetSampler
from genetics.genotype_elimination import eliminate_genotypes, restore_genotypes
from genetics.incremental import BucketTree
from genetics.variable_elimination import (
    Array,
    Beliefs,
    Factor,
    Impossible,
    PedigreeError,
    TooWide,
    normalise,
    propagate,
)

__all__ = [
    "CandidateParents",
    "Impossible",
    "Layer",
    "Pair",
    "PedigreeError",
    "Posterior",
    "TooWide",
    "bucket_tree",
    "check",
    "infer",
]


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


@dataclass(frozen=True)
class Posterior:
    """What is known of each bird after all evidence, and before its own."""

    marginals: Array
    """(n, K): probability of each genotype given everything; rows sum to 1."""
    cavities: Array
    """(n, K): the same given everything but the bird's own evidence."""
    log_evidence: float
    """Logarithm of the probability of all the evidence; nan if approximate."""
    method: str = "exact"
    """'exact' or 'approximate'."""
    error: float = 0.0
    """Largest standard error of a probability where it was sampled."""
    converged: bool = True
    """Whether sampling came to the error that it aims at."""


@dataclass(frozen=True)
class Joint:
    """Posteriors of several layers, and the joint ones of birds whose evidence couples them."""

    layers: tuple[Posterior, ...]
    coupled: dict[int, Array] = field(default_factory=dict)
    """By bird: joint distribution over the layers' genotypes."""
    around: dict[int, Array] = field(default_factory=dict)
    """By bird: the same without its coupled evidence."""


@dataclass(frozen=True)
class CandidateParents:
    """Parents of one bird that are known to be among several; empty where `sire`, `dam` hold.

    Each of them is as likely as the others beforehand.
    """

    sires: tuple[int, ...] = ()
    dams: tuple[int, ...] = ()


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


def network(
    sire: Sequence[int],
    dam: Sequence[int],
    layer: Layer,
    offset: int,
    stand_ins: Mapping[int, tuple[int, int]] | None = None,
) -> tuple[list[Factor], list[Factor]]:
    """Factors of one layer and each bird's own evidence; variables are `offset` + row.

    `stand_ins` gives, by bird, the variables that stand for its sire and dam where they are one of
    several, or -1.
    """
    count, states = len(sire), layer.transmission.shape[-1]
    evidence = np.asarray(layer.likelihoods, float)
    if evidence.shape != (count, states):
        raise PedigreeError("likelihood_shape", count=count, states=states, shape=evidence.shape)
    prior = distributions(layer.prior, count, states)
    inherit = np.asarray(layer.transmission)
    factors = []
    for bird in range(count):
        if sire[bird] == dam[bird] >= 0:
            raise PedigreeError("parents_the_same", row=bird)
        s, d = (stand_ins or {}).get(bird, (-1, -1))
        s = offset + sire[bird] if sire[bird] >= 0 else s
        d = offset + dam[bird] if dam[bird] >= 0 else d
        if s < 0 and d < 0:
            factors.append(normalise((offset + bird,), prior[bird]))
        elif s < 0 or d < 0:
            average = np.einsum("s,sdc->dc", prior[bird], inherit)
            factors.append(normalise((max(s, d), offset + bird), average))
        else:
            factors.append(normalise((s, d, offset + bird), inherit))
    for pair in layer.pairs:
        if not (0 <= pair.sire < count and 0 <= pair.dam < count) or pair.sire == pair.dam:
            raise PedigreeError("mating_not_recorded", sire=pair.sire, dam=pair.dam)
        factors.append(normalise((offset + pair.sire, offset + pair.dam), pair.likelihood))
    own = [normalise((offset + bird,), evidence[bird]) for bird in range(count)]
    return factors, own


class OpenParents:
    """Variables for parents that are one of several: which one it is, and its genotype.

    Given which of k birds it is, a parent's genotype is that bird's: k small tables of (which,
    bird, genotype) say so, instead of one over all k birds. Which one it is holds for all layers.
    """

    def __init__(
        self, possible: Mapping[int, CandidateParents], layers: Sequence[Layer], count: int
    ) -> None:
        self.factors: list[Factor] = []
        self.sizes: list[int] = []
        self.own: list[Factor] = []
        self.stand_ins: list[dict[int, tuple[int, int]]] = [{} for _ in layers]
        self.start = len(layers) * count
        for bird, some in possible.items():
            pairs = [self.one_of(rows, layers, count, bird) for rows in (some.sires, some.dams)]
            for number in range(len(layers)):
                self.stand_ins[number][bird] = (pairs[0][number], pairs[1][number])

    def variable(self, own: Array) -> int:
        """Return a further variable with its own factor."""
        number = self.start + len(self.sizes)
        self.sizes.append(len(own))
        self.own.append(normalise((number,), own))
        return number

    def one_of(
        self, rows: tuple[int, ...], layers: Sequence[Layer], count: int, bird: int
    ) -> list[int]:
        """By layer, the variable of the genotype of one of `rows`; -1 where there are none."""
        if not rows:
            return [-1] * len(layers)
        if len(set(rows)) != len(rows) or bird in rows:
            raise PedigreeError("possible_parents_alike", row=bird, parents=rows)
        if len(rows) == 1:
            return [number * count + rows[0] for number in range(len(layers))]
        which = self.variable(np.full(len(rows), 1 / len(rows)))
        found = []
        for number, layer in enumerate(layers):
            states = layer.transmission.shape[-1]
            parent = self.variable(np.ones(states))
            for place, row in enumerate(rows):
                table = np.ones((len(rows), states, states))
                table[place] = np.eye(states)
                scope = (which, number * count + row, parent)
                order = np.argsort(scope)
                self.factors.append(
                    normalise(tuple(scope[i] for i in order), table.transpose(order.tolist()))
                )
            found.append(parent)
        return found


def infer_layers(
    sire: Sequence[int],
    dam: Sequence[int],
    layers: Sequence[Layer],
    coupling: Mapping[int, Array] | None = None,
    rng: np.random.Generator | None = None,
    progress: Callable[[float], None] | None = None,
    possible: Mapping[int, CandidateParents] | None = None,
) -> Joint:
    """Posteriors at several layers; `coupling` gives, by bird, a likelihood over all layers.

    A coupling table has one axis a layer and multiplies the layers' own likelihoods. `possible`
    gives, by bird, parents that are one of several. With `rng`,
    a flock too complex for an exact answer gets an approximate one, and `progress` hears how
    much of that is done, 0 to 1. Raises PedigreeError (cycle, bad prior), TooWide, Impossible.
    """
    count = len(sire)
    check(sire, dam, possible)
    if count == 0:
        nothing = [np.zeros((0, layer.transmission.shape[-1])) for layer in layers]
        return Joint(tuple(Posterior(m, m, 0.0) for m in nothing))
    factors: list[Factor] = []
    own: list[Factor] = []
    sizes: list[int] = []
    open_parents = OpenParents(possible or {}, layers, count)
    for number, layer in enumerate(layers):
        more, seen = network(sire, dam, layer, number * count, open_parents.stand_ins[number])
        factors += more
        own += seen
        sizes += [layer.transmission.shape[-1]] * count
    factors += open_parents.factors
    own += open_parents.own
    sizes += open_parents.sizes
    watched: dict[int, int] = {}
    for bird, table in (coupling or {}).items():
        watched[len(factors)] = bird
        variables = tuple(number * count + bird for number in range(len(layers)))
        factors.append(normalise(variables, np.asarray(table, float)))
    sampler = CutsetSampler(rng, progress=progress) if rng is not None else None
    beliefs, method = solve(factors, own, sizes, list(watched), sampler)
    posteriors = []
    for number, layer in enumerate(layers):
        rows = slice(number * count, (number + 1) * count)
        log_evidence = beliefs.log_evidence if number == 0 else 0.0
        posteriors.append(
            Posterior(
                np.array(beliefs.marginals[rows]).reshape(count, layer.transmission.shape[-1]),
                np.array(beliefs.cavities[rows]).reshape(count, layer.transmission.shape[-1]),
                log_evidence,
                method,
                sampler.error if sampler else 0.0,
                sampler.converged if sampler else True,
            )
        )
    return Joint(
        tuple(posteriors),
        {watched[i]: joint for i, joint in beliefs.joints.items()},
        {watched[i]: context for i, context in beliefs.contexts.items()},
    )


def solve(
    factors: list[Factor],
    own: list[Factor],
    sizes: list[int],
    watched: list[int],
    sampler: CutsetSampler | None,
) -> tuple[Beliefs, str]:
    """Exact beliefs if the network allows, if need be without ruled out genotypes; else sampled."""
    try:
        return propagate(factors, own, sizes, watched), "exact"
    except TooWide:
        few = eliminate_genotypes(factors, own, sizes)
    try:
        beliefs = propagate(few.factors, few.own, few.sizes, watched)
        return restore_genotypes(beliefs, few, sizes, watched, factors), "exact"
    except TooWide:
        if sampler is None:
            raise
    beliefs = propagate(few.factors, few.own, few.sizes, watched, sampler, PERIPHERY_CELLS)
    return restore_genotypes(beliefs, few, sizes, watched, factors), "approximate"


def bucket_tree(
    sire: Sequence[int],
    dam: Sequence[int],
    layer: Layer,
    possible: Mapping[int, CandidateParents] | None = None,
) -> BucketTree:
    """Return the layer's network with its messages kept; variable i is bird i. Raises TooWide."""
    count = len(sire)
    check(sire, dam, possible)
    open_parents = OpenParents(possible or {}, [layer], count)
    factors, own = network(sire, dam, layer, 0, open_parents.stand_ins[0])
    sizes = [layer.transmission.shape[-1]] * count + open_parents.sizes
    return BucketTree([*factors, *open_parents.factors], [*own, *open_parents.own], sizes)


def infer(
    sire: Sequence[int],
    dam: Sequence[int],
    likelihoods: Array,
    founder_prior: Array,
    pairs: Sequence[Pair] = (),
    rng: np.random.Generator | None = None,
    possible: Mapping[int, CandidateParents] | None = None,
) -> Posterior:
    """Posterior of every bird's genotype at R and P from all evidence of the flock.

    `sire`, `dam`: parents' rows (n,), -1 unknown. `likelihoods`: (n, 9), all ones where nothing
    was seen. `founder_prior`: (9,) or (n, 9). `pairs`: chicks counted without bands.
    `possible`: by row, parents that are one of several. `rng`: see `infer_layers`. Raises
    PedigreeError (cycle, bad prior), TooWide, Impossible.
    """
    layer = Layer(np.asarray(transmission()), founder_prior, likelihoods, tuple(pairs))
    return infer_layers(sire, dam, [layer], rng=rng, possible=possible).layers[0]
