"""Posteriors of a whole flock: exact by variable elimination, loops included, or approximate.

Birds are rows of arrays; -1 stands for an unknown parent. A bird with one unknown parent gets
a founder in its place. A `Layer` is what is inherited at some loci that assort together in one
table (R and P: nine genotypes; crest: three). Layers hang together only where a bird's evidence
couples them, and are then inferred jointly. Where the families are too entangled for tables of
MOST_CELLS cells, genotypes that no relative allows are struck out first; if that isn't enough, and
the caller gives a random generator, `sampling.py` answers, and the answer says 'approximate'.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from genetics.cross import transmission
from genetics.elimination import (
    Array,
    Beliefs,
    Factor,
    Impossible,
    PedigreeError,
    TooWide,
    propagate,
    scaled,
)
from genetics.narrowing import narrowed, widened
from genetics.sampling import PERIPHERY_CELLS, CutsetSampler

__all__ = ["Impossible", "Layer", "Pair", "PedigreeError", "Posterior", "TooWide", "check", "infer"]


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

    inherit: Array
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
    others: Array
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


def check(sire: Sequence[int], dam: Sequence[int]) -> list[int]:
    """Rows in an order in which parents come first; PedigreeError for a cycle or bad row."""
    count = len(sire)
    if len(dam) != count:
        raise PedigreeError(f"{count} sires for {len(dam)} dams")
    for row, parents in enumerate(zip(sire, dam, strict=True)):
        for parent in parents:
            if not -1 <= parent < count:
                raise PedigreeError(f"row {row}: parent {parent} is no row of this pedigree")
    state, order = [0] * count, []
    for start in range(count):
        stack = [(start, False)]
        while stack:
            row, done = stack.pop()
            if done:
                state[row] = 2
                order.append(row)
            elif state[row] == 1:
                raise PedigreeError(f"row {row} is its own ancestor")
            elif state[row] == 0:
                state[row] = 1
                stack.append((row, True))
                for parent in (sire[row], dam[row]):
                    if parent >= 0 and state[parent] == 1:
                        raise PedigreeError(f"row {parent} is its own ancestor")
                    if parent >= 0 and state[parent] == 0:
                        stack.append((parent, False))
    return order


def distributions(prior: Array, count: int, states: int) -> Array:
    """Founders' priors (count, states), each row summing to 1; PedigreeError if it can't."""
    given = np.asarray(prior, float)
    if given.shape not in ((states,), (count, states)) or (given < 0).any():
        raise PedigreeError(
            f"founder prior must be {states} probabilities, or {count} rows of them, "
            f"not of shape {given.shape}"
        )
    totals = given.sum(-1, keepdims=True)
    if (np.abs(totals - 1) > 1e-6).any():
        wrong = int(np.argmax(np.abs(totals - 1)))
        raise PedigreeError(
            f"founder prior, row {wrong}: probabilities sum to {totals.ravel()[wrong]:.6g}, not 1"
        )
    return np.broadcast_to(given / totals, (count, states))


def network(
    sire: Sequence[int], dam: Sequence[int], layer: Layer, offset: int
) -> tuple[list[Factor], list[Factor]]:
    """Factors of one layer and each bird's own evidence; variables are `offset` + row."""
    count, states = len(sire), layer.inherit.shape[-1]
    evidence = np.asarray(layer.likelihoods, float)
    if evidence.shape != (count, states):
        raise PedigreeError(f"likelihoods must be ({count}, {states}), not {evidence.shape}")
    prior = distributions(layer.prior, count, states)
    inherit = np.asarray(layer.inherit)
    factors = []
    for bird in range(count):
        s, d = sire[bird], dam[bird]
        if s < 0 and d < 0:
            factors.append(scaled((offset + bird,), prior[bird]))
        elif s < 0 or d < 0:
            average = np.einsum("s,sdc->dc", prior[bird], inherit)
            factors.append(scaled((offset + max(s, d), offset + bird), average))
        elif s == d:
            raise PedigreeError(f"row {bird}: sire and dam are the same bird")
        else:
            factors.append(scaled((offset + s, offset + d, offset + bird), inherit))
    for pair in layer.pairs:
        if not (0 <= pair.sire < count and 0 <= pair.dam < count) or pair.sire == pair.dam:
            raise PedigreeError(
                f"chicks counted for rows {pair.sire} x {pair.dam}: no such mating is recorded"
            )
        factors.append(scaled((offset + pair.sire, offset + pair.dam), pair.likelihood))
    own = [scaled((offset + bird,), evidence[bird]) for bird in range(count)]
    return factors, own


def infer_layers(
    sire: Sequence[int],
    dam: Sequence[int],
    layers: Sequence[Layer],
    coupling: Mapping[int, Array] | None = None,
    rng: np.random.Generator | None = None,
    progress: Callable[[float], None] | None = None,
) -> Joint:
    """Posteriors at several layers; `coupling` gives, by bird, a likelihood over all layers.

    A coupling table has one axis a layer and multiplies the layers' own likelihoods. With `rng`,
    a flock too entangled for an exact answer gets an approximate one, and `progress` hears how
    much of that is done, 0 to 1. Raises PedigreeError (cycle, bad prior), TooWide, Impossible.
    """
    count = len(sire)
    check(sire, dam)
    if count == 0:
        nothing = [np.zeros((0, layer.inherit.shape[-1])) for layer in layers]
        return Joint(tuple(Posterior(m, m, 0.0) for m in nothing))
    factors: list[Factor] = []
    own: list[Factor] = []
    sizes: list[int] = []
    for number, layer in enumerate(layers):
        more, seen = network(sire, dam, layer, number * count)
        factors += more
        own += seen
        sizes += [layer.inherit.shape[-1]] * count
    watched: dict[int, int] = {}
    for bird, table in (coupling or {}).items():
        watched[len(factors)] = bird
        variables = tuple(number * count + bird for number in range(len(layers)))
        factors.append(scaled(variables, np.asarray(table, float)))
    sampler = CutsetSampler(rng, progress=progress) if rng is not None else None
    beliefs, method = solve(factors, own, sizes, list(watched), sampler)
    posteriors = []
    for number, layer in enumerate(layers):
        rows = slice(number * count, (number + 1) * count)
        log_evidence = beliefs.log_evidence if number == 0 else 0.0
        posteriors.append(
            Posterior(
                np.array(beliefs.marginals[rows]).reshape(count, layer.inherit.shape[-1]),
                np.array(beliefs.others[rows]).reshape(count, layer.inherit.shape[-1]),
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
        few = narrowed(factors, own, sizes)
    try:
        beliefs = propagate(few.factors, few.own, few.sizes, watched)
        return widened(beliefs, few, sizes, watched, factors), "exact"
    except TooWide:
        if sampler is None:
            raise
    beliefs = propagate(few.factors, few.own, few.sizes, watched, sampler, PERIPHERY_CELLS)
    return widened(beliefs, few, sizes, watched, factors), "approximate"


def infer(
    sire: Sequence[int],
    dam: Sequence[int],
    likelihoods: Array,
    founder_prior: Array,
    pairs: Sequence[Pair] = (),
    rng: np.random.Generator | None = None,
) -> Posterior:
    """Posterior of every bird's genotype at R and P from all evidence of the flock.

    `sire`, `dam`: parents' rows (n,), -1 unknown. `likelihoods`: (n, 9), all ones where nothing
    was seen. `founder_prior`: (9,) or (n, 9). `pairs`: chicks counted without bands. `rng`: see
    `infer_layers`. Raises PedigreeError (cycle, bad prior), TooWide, Impossible.
    """
    layer = Layer(np.asarray(transmission()), founder_prior, likelihoods, tuple(pairs))
    return infer_layers(sire, dam, [layer], rng=rng).layers[0]
