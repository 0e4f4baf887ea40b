"""Layers that hang together, each exact by itself, with messages between them until they stand.

Crest and comb hang together where a bird's comb was read without a note of the crest, and all
layers where a chick has several possible parents. Joint tables of a large line don't fit into any
memory. Each layer alone does: what it says of a coupled bird (or of the possible parents) without
the others' word becomes evidence in the others, and so on until nothing moves.
Source: loopy belief propagation between the layers, Murphy, Weiss and Jordan 1999, UAI (from
memory). How close it comes is measured by `benchmarks/layered.py`. Where few birds are coupled each
weighs much, and one of them is held at each of its states in turn (Pearl 1986, on conditioning in
loops, from memory); the answers are weighed by Bethe's evidence (Yedidia, Freeman and Weiss 2005,
from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from genetics.errors import Impossible
from genetics.factors import Array
from genetics.pedigree import Layer, Pedigree, Rows
from genetics.pedigree_network import Answer, PedigreeNetwork

MOST_ROUNDS = 40
CLOSE = 1e-7
DAMPED_FROM = 10  # rounds after which messages move half the way only
FEW = 12  # coupled birds up to which one of them is held at each of its states in turn


def layered(
    pedigree: Pedigree,
    layers: Sequence[Layer],
    coupling: Mapping[int, Array],
    shared: Sequence[int],
) -> tuple[Answer, list[Answer], bool]:
    """Return an answer for all layers, each layer's own at the end, and whether messages stand.

    As `by_messages`, made closer where few birds are coupled.
    """
    found, alone, stands = by_messages(pedigree, layers, coupling, shared)
    if shared or not 2 <= len(coupling) <= FEW:
        return found, alone, stands
    row = max(found.coupled, key=lambda one: dependence(found.coupled[one]))
    parts = []
    for state in range(layers[1].states):
        held = layers[1].likelihoods.copy()
        held[row] *= np.arange(layers[1].states) == state
        if not held[row].any():
            continue
        some = [layers[0], replace(layers[1], likelihoods=held), *layers[2:]]
        try:
            part, _, stood = by_messages(pedigree, some, coupling, shared)
        except Impossible:
            continue
        parts.append(part)
        stands = stands and stood
    return mixed(found, parts), alone, stands


def dependence(joint: Array) -> float:
    """Return how far two layers hang together at a bird: their mutual information."""
    apart = np.outer(joint.sum(1), joint.sum(0))
    some = joint > 0
    return float((joint[some] * np.log(joint[some] / apart[some])).sum())


def mixed(found: Answer, parts: Sequence[Answer]) -> Answer:
    """Return an answer with the chances of `parts`, weighed by their evidence, in place of its own.

    What is known of a bird without some of its evidence moves in the same ratio.
    """
    if not parts:
        return found
    logs = np.array([part.log_evidence for part in parts])
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()

    def mean(tables: Iterable[Array]) -> Array:
        return np.asarray(sum(w * table for w, table in zip(shares, tables, strict=True)))

    def moved(table: Array, old: Array, new: Array) -> Array:
        ratio = np.divide(new, old, out=np.ones_like(old), where=old > 0)
        return table * ratio

    for number, old in enumerate(found.marginals):
        new = mean(part.marginals[number] for part in parts)
        cavity = moved(found.cavities[number], old, new)
        found.cavities[number] = cavity / cavity.sum(1, keepdims=True)
        found.marginals[number] = new
    for row, old in found.coupled.items():
        new = mean(part.coupled[row] for part in parts)
        around = moved(found.around[row], old, new)
        found.around[row] = around / around.sum()
        found.coupled[row] = new
    return found


def by_messages(
    pedigree: Pedigree,
    layers: Sequence[Layer],
    coupling: Mapping[int, Array],
    shared: Sequence[int],
) -> tuple[Answer, list[Answer], bool]:
    """Return an answer for all layers, each layer's own at the end, and whether messages stand.

    `coupling` gives, by bird, a likelihood over the first two layers; `shared` are birds whose
    possible parents are told apart by several layers. Raises TooWide and Impossible.
    """
    rows = np.array(sorted(coupling), np.int64)
    tables = np.array([np.asarray(coupling[r], float) for r in rows.tolist()])
    weights = [{row: even(pedigree, row) for row in shared} for _ in layers]
    heard = [layers[1].prior[rows], layers[0].prior[rows]] if len(rows) else []
    answers: list[Answer] = []
    before: list[Array] = []
    answers_before: list[Answer] = []
    stands = False
    evidence_of_all = 0.0
    for turn in range(MOST_ROUNDS):
        damping = 0.5 if turn >= DAMPED_FROM else 0.0
        answers, evidence_of_all = [], 0.0
        for number, layer in enumerate(layers):
            if number > 1 and not shared and before:
                answers.append(answers_before[number])
                evidence_of_all += answers[-1].log_evidence
                continue
            evidence = layer.likelihoods
            if len(rows) and number < 2:
                evidence, scale = with_message(evidence, number, rows, tables, heard[number])
                evidence_of_all += scale
            network = PedigreeNetwork(
                pedigree, [replace(layer, likelihoods=evidence)], weights=weights[number]
            )
            found = network.answer()
            answers.append(found)
            evidence_of_all += found.log_evidence
            if len(rows) and number < 2:
                # Its own note at the layer belongs to what the other hears.
                said = found.cavities[0][rows] * layer.likelihoods[rows]
                said = said / said.sum(1, keepdims=True)
                heard[1 - number] = damping * heard[1 - number] + (1 - damping) * said
        for row in told_apart(answers, shared):
            fits = [answer.which[row] / answer.which[row].sum() for answer in answers]
            for number in range(len(layers)):
                others = np.prod([f for i, f in enumerate(fits) if i != number], axis=0)
                fresh = others / others.sum()
                weights[number][row] = damping * weights[number][row] + (1 - damping) * fresh
        now = [answer.marginals[0] for answer in answers]
        if before and max(np.abs(a - b).max() for a, b in zip(now, before, strict=True)) < CLOSE:
            stands = True
            break
        before, answers_before = now, answers
    if len(rows):  # what both layers told of a bird is counted once
        agreed = np.einsum("ng,ngc,nc->n", heard[1], tables, heard[0])
        evidence_of_all -= float(np.log(agreed).sum())
    return gathered(layers, answers, rows, tables, heard, evidence_of_all), answers, stands


def with_message(
    evidence: Array, number: int, rows: Rows, tables: Array, heard: Array
) -> tuple[Array, float]:
    """Return a layer's evidence with what the other says of the coupled birds, and the logarithm
    of what was divided out to keep it near 1.
    """
    way = "ngc,nc->ng" if number == 0 else "ngc,ng->nc"
    said = np.einsum(way, tables, heard)
    top = said.max(1, keepdims=True)
    found = evidence.copy()
    found[rows] *= said / top
    return found, float(np.log(top).sum())


def told_apart(answers: Sequence[Answer], rows: Iterable[int]) -> list[int]:
    """Return those of some birds of which every layer says how well each possible parent fits."""
    return [row for row in rows if all(row in answer.which for answer in answers)]


def even(pedigree: Pedigree, row: int) -> Array:
    """Return equal chances for all pairs of possible parents (sires, dams)."""
    sires, dams = pedigree.possible(row)
    shape = (max(1, len(sires)), max(1, len(dams)))
    return np.full(shape, 1 / np.prod(shape))


def gathered(
    layers: Sequence[Layer],
    answers: Sequence[Answer],
    rows: Rows,
    tables: Array,
    heard: Sequence[Array],
    log_evidence: float,
) -> Answer:
    """Return the layers' answers as one."""
    found = Answer(
        [answer.marginals[0] for answer in answers],
        [answer.cavities[0].copy() for answer in answers],
        log_evidence,
        answers[0].seen,
    )
    for i, row in enumerate(rows.tolist()):
        around = np.outer(answers[0].cavities[0][row], heard[0][i])
        found.around[row] = around / around.sum()
        joint = around * tables[i]
        found.coupled[row] = joint / joint.sum()
        # The second layer's answer knows of the comb read, as the joint one does.
        crest = np.einsum("gc,g->c", tables[i], answers[0].cavities[0][row])
        crest = crest * answers[1].cavities[0][row]
        found.cavities[1][row] = crest / crest.sum()
    for row in told_apart(answers, answers[0].which):
        fits = [answer.which[row] for answer in answers]
        found.which[row] = np.prod([f / f.max() for f in fits], axis=0)
    found.families = answers[0].families
    return found
