"""Posteriors of a whole flock: exact by variable elimination, loops included, where tables allow.

Layers hang together only where a bird's evidence couples them, or where which of several possible
parents it was can be told by more than one. Of families whose joint tables are too large each layer
is exact by itself, with messages between them ('layered', see `layered.py`). Where a single layer
is too large, genotypes that no relative allows are struck out first; if that isn't enough, and the
caller gives a random generator, `cutset_sampling.py` answers, and the answer says 'approximate'.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from genetics.answers import APPROXIMATE, EXACT, LAYERED, Collected, Flock, Joint, Posterior
from genetics.broods import MOST_BROOD_CELLS
from genetics.cross import transmission
from genetics.cutset_sampling import CutsetSampler
from genetics.errors import TooWide
from genetics.factors import Array
from genetics.layered import by_messages, layered
from genetics.pedigree import (
    CandidateParents,
    Layer,
    Pair,
    Pedigree,
    Rows,
    checked_layer,
    pedigree_of,
)
from genetics.pedigree_network import Answer, PedigreeNetwork
from genetics.variable_elimination import elimination_order

BATCH = 3000  # birds worked on at a time, if their families allow


def infer_layers(
    sire: Sequence[int],
    dam: Sequence[int],
    layers: Sequence[Layer],
    coupling: Mapping[int, Array] | None = None,
    rng: np.random.Generator | None = None,
    progress: Callable[[float], None] | None = None,
    possible: Mapping[int, CandidateParents] | None = None,
) -> Joint:
    """Posteriors at several layers; `coupling` gives, by bird, a likelihood over the first two.

    A coupling table has one axis a layer and multiplies the layers' own likelihoods. `possible`
    gives, by bird, parents that are one of several. With `rng`,
    a flock too complex for an exact answer gets an approximate one, and `progress` hears how
    much of that is done, 0 to 1. Raises PedigreeError (cycle, bad prior), TooWide, Impossible.
    """
    pedigree = pedigree_of(sire, dam, possible)
    layers = [checked_layer(layer, pedigree.count) for layer in layers]
    found = Collected(layers, pedigree.count)
    if pedigree.count == 0:
        return found.joint()
    pairs = [pair for layer in layers for pair in layer.pairs]
    components = pedigree.components(pairs)
    shared = open_parentage(pedigree, layers, coupling or {})
    hang = np.isin(components, components[[*(coupling or {}), *shared]])
    flock = Flock(pedigree, layers, dict(coupling or {}), shared, components)
    for rows in batches(components, np.flatnonzero(~hang)):
        part = flock.part(rows)
        for number in range(len(layers)):
            one_layer(part, number, rows, found, rng, progress)
    for rows in batches(components, np.flatnonzero(hang)):
        joint_layers(flock.part(rows), rows, found, rng, progress)
    return found.joint()


def batches(components: Rows, rows: Rows) -> Iterator[Rows]:
    """Whole components of some rows, so many together that their tables stay close at hand."""
    if not len(rows):
        return
    order = rows[np.argsort(components[rows], kind="stable")]
    ends = np.flatnonzero(np.diff(components[order], append=-1)) + 1
    start = 0
    for end, after in zip(ends.tolist(), [*ends[1:].tolist(), None], strict=True):
        if after is None or after - start > BATCH:
            yield np.sort(order[start:end])
            start = end


def open_parentage(
    pedigree: Pedigree, layers: Sequence[Layer], coupling: Mapping[int, Array]
) -> list[int]:
    """Birds with several possible parents of whom any layer may know something.

    Which of them it was is then news to every layer.
    """
    if not pedigree.candidates or len(layers) < 2:
        return []
    informed = np.zeros(pedigree.count, bool)
    for layer in layers:
        informed |= np.ptp(layer.likelihoods, axis=1) > 0
    informed[list(coupling)] = True
    has_chicks = pedigree.parents()
    anywhere = bool(informed.any())
    return [row for row in pedigree.candidates if (anywhere if has_chicks[row] else informed[row])]


def one_layer(
    flock: Flock,
    number: int,
    rows: Rows,
    found: Collected,
    rng: np.random.Generator | None,
    progress: Callable[[float], None] | None,
) -> None:
    """Answer one layer by itself: what fits exactly at once, the rest component by component."""
    network = PedigreeNetwork(flock.pedigree, [flock.layers[number]], weights={})
    wide = network.too_wide()
    if not len(wide):
        answer = network.answer()
        found.put(rows, answer, [number], EXACT)
        found.put_families(rows, answer, number)
        return
    inside, outside = flock.of(wide)
    if len(outside):
        one_layer(flock.part(outside), number, rows[outside], found, rng, progress)
    for birds, part in flock.each_component(inside):
        network = PedigreeNetwork(part.pedigree, [part.layers[number]], weights={})
        answer, method = exact_or_sampled(network, rng, progress, found)
        found.put(rows[birds], answer, [number], method)
        found.put_families(rows[birds], answer, number)


def exact_or_sampled(
    network: PedigreeNetwork,
    rng: np.random.Generator | None,
    progress: Callable[[float], None] | None,
    found: Collected,
) -> tuple[Answer, str]:
    """Return an answer without ruled out genotypes, or if that is too large a sampled one."""
    try:
        return network.answer(), EXACT
    except TooWide:
        if rng is None:
            raise
    sampler = CutsetSampler(rng, progress=progress)
    answer = network.answer(sampler)
    found.error = max(found.error, sampler.error)
    found.converged = found.converged and sampler.converged
    return answer, APPROXIMATE


def joint_layers(
    flock: Flock,
    rows: Rows,
    found: Collected,
    rng: np.random.Generator | None,
    progress: Callable[[float], None] | None,
) -> None:
    """Answer layers that hang together: exactly where joint tables fit, else layered or sampled."""
    left = joint_exactly(flock, rows, found)
    if not len(left):
        return
    flock, rows = flock.part(left), rows[left]
    numbers = list(range(len(flock.layers)))
    single = [PedigreeNetwork(flock.pedigree, [layer]).too_wide() for layer in flock.layers]
    wide = np.unique(np.concatenate(single))
    fits = np.arange(len(rows))
    if len(wide):
        # Not even one layer fits: these families are sampled, all layers together.
        inside, fits = flock.of(wide)
        for birds, part in flock.each_component(inside):
            sampled_layers(part, rows[birds], found, rng, progress)
    if len(fits):
        part = flock.part(fits)
        answer, alone, stands = layered(part.pedigree, part.layers, part.coupling, part.shared)
        found.put(rows[fits], answer, numbers, LAYERED)
        for number, one in enumerate(alone):
            found.put_families(rows[fits], one, number)
        found.converged = found.converged and stands


def sampled_layers(
    flock: Flock,
    rows: Rows,
    found: Collected,
    rng: np.random.Generator | None,
    progress: Callable[[float], None] | None,
) -> None:
    """Answer one component that is too large for tables of one layer."""
    for some in joined_numbers(flock):
        layers = [flock.layers[n] for n in some]
        network = PedigreeNetwork(flock.pedigree, layers, flock.coupling if 0 in some else {})
        answer, method = exact_or_sampled(network, rng, progress, found)
        found.put(rows, answer, some, method)
        if len(some) == 1:
            found.put_families(rows, answer, some[0])


def joined_numbers(flock: Flock) -> list[list[int]]:
    """Return the layers that must be answered together."""
    numbers = list(range(len(flock.layers)))
    if flock.shared:
        return [numbers]
    first = numbers[:2] if flock.coupling else []
    return ([first] if first else []) + [[n] for n in numbers if n not in first]


def joint_exactly(flock: Flock, rows: Rows, found: Collected) -> Rows:
    """Answer the components whose joint tables fit; returns which of `rows` are left."""
    joined = joined_numbers(flock)[0]
    told = [n for n in joined if tells(flock, n)] or joined[:1]
    wide = hopeless(flock, told)
    if not len(wide):
        layers = [flock.layers[n] for n in told]
        network = PedigreeNetwork(flock.pedigree, layers, flock.coupling)
        wide = network.too_wide()
    if len(wide):
        inside, fits = flock.of(wide)
        if len(fits):
            left = joint_exactly(flock.part(fits), rows[fits], found)
            return np.sort(np.concatenate([inside, fits[left]]))
        return inside
    answer = network.answer()
    if flock.pedigree.candidates:
        # Who the likelier parent is follows from the layers' messages.
        by_layers, _, _ = by_messages(flock.pedigree, flock.layers, flock.coupling, flock.shared)
        answer = replace(answer, which=by_layers.which)
    found.put(rows, answer, told, EXACT)
    for number in range(len(flock.layers)):
        layer = flock.layers[number]
        if number in told:
            layer = replace(layer, likelihoods=freed(flock, answer, told.index(number), layer))
        one = PedigreeNetwork(flock.pedigree, [layer]).answer()
        if number not in told:
            found.put(rows, one, [number], EXACT)
        found.put_families(rows, one, number)
    return np.zeros(0, np.int64)


def hopeless(flock: Flock, told: Sequence[int]) -> Rows:
    """Birds whose tables of three or more layers would be too large, before any is worked out."""
    if len(told) < 3:
        return np.zeros(0, np.int64)
    network = PedigreeNetwork(flock.pedigree, [flock.layers[told[0]]])
    states = int(np.prod([flock.layers[n].states for n in told]))
    scopes = [f.variables for f in network.factors]
    _, left = elimination_order(scopes, [states] * len(network.sizes), MOST_BROOD_CELLS)
    return network.core[sorted({v for v in left if v < len(network.core)})]


def tells(flock: Flock, number: int) -> bool:
    """Whether a layer knows anything that others could hear."""
    coupled = bool(flock.coupling) and number < 2
    return coupled or bool(np.ptp(flock.layers[number].likelihoods, axis=1).any())


def freed(flock: Flock, answer: Answer, place: int, layer: Layer) -> Array:
    """Return a layer's evidence with what the other says of coupled birds, as if it stood alone."""
    evidence = layer.likelihoods.copy()
    for row, table in flock.coupling.items():
        around = answer.around[row]
        if place > 1:
            break
        others = tuple(axis for axis in range(around.ndim) if axis != place)
        known = around.sum(others)
        mine = np.where(known > 0, (around * table).sum(others) / np.maximum(known, 1e-300), 0)
        evidence[row] = evidence[row] * mine
    return evidence


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
