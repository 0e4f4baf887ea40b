"""Layers that hang together, each exact by itself, with messages between them until they stand.

Crest and comb hang together where a bird's comb was read without a note of the crest, and all
layers where a chick has several possible parents. Joint tables of a large line don't fit into any
memory. Each layer alone does: what it says of a coupled bird (or of the possible parents) without
the others' word becomes evidence in the others, and so on until nothing moves.
Source: loopy belief propagation between the layers, Murphy, Weiss and Jordan 1999, UAI (from
memory). How close it comes is measured by `benchmarks/layered.py`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from genetics.factors import Array
from genetics.pedigree import Layer, Pedigree, Rows
from genetics.pedigree_network import Answer, PedigreeNetwork

MOST_ROUNDS = 40
CLOSE = 1e-7
DAMPED_FROM = 10  # rounds after which messages move half the way only


def layered(
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
    for turn in range(MOST_ROUNDS):
        damping = 0.5 if turn >= DAMPED_FROM else 0.0
        answers = []
        for number, layer in enumerate(layers):
            if number > 1 and not shared and before:
                answers.append(answers_before[number])
                continue
            evidence = layer.likelihoods
            if len(rows) and number < 2:
                evidence = evidence.copy()
                way = "ngc,nc->ng" if number == 0 else "ngc,ng->nc"
                mine = np.einsum(way, tables, heard[number])
                evidence[rows] *= mine / mine.max(1, keepdims=True)
            network = PedigreeNetwork(
                pedigree, [replace(layer, likelihoods=evidence)], weights=weights[number]
            )
            found = network.answer()
            answers.append(found)
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
    return gathered(layers, answers, rows, tables, heard), answers, stands


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
) -> Answer:
    """Return the layers' answers as one."""
    found = Answer(
        [answer.marginals[0] for answer in answers],
        [answer.cavities[0].copy() for answer in answers],
        float("nan"),
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
