"""Exact posteriors of a whole flock: variable elimination forth and back, loops included.

Birds are rows of arrays; -1 stands for an unknown parent. A bird with one unknown parent gets
a founder in its place. The graph of families is eliminated in a greedy order; the tables of a
clique of w birds have 9^w cells, and a flock that would need more than WIDEST birds at once is
refused rather than answered slowly or wrongly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from genetics.cross import transmission

Array = NDArray[np.float64]
STATES, WIDEST = 9, 7


class PedigreeError(ValueError):
    """A pedigree that can't be used; the message names the birds by their row."""


class TooWide(PedigreeError):
    """Exact inference would need tables of more than WIDEST birds."""


class Impossible(PedigreeError):
    """What is recorded has probability 0 together."""


@dataclass(frozen=True)
class Posterior:
    """What is known of each bird after all evidence, and before its own."""

    marginals: Array
    """(n, 9): probability of each genotype given everything; rows sum to 1."""
    others: Array
    """(n, 9): the same given everything but the bird's own evidence."""
    log_evidence: float
    """Logarithm of the probability of all the evidence."""


@dataclass(frozen=True)
class Factor:
    """A table over some birds, scaled so that its largest cell is 1."""

    birds: tuple[int, ...]
    table: Array
    log_scale: float = 0.0


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


def scaled(birds: tuple[int, ...], table: Array, log_scale: float = 0.0) -> Factor:
    """A factor with its scale taken out; Impossible if the table is all zero."""
    top = float(table.max())
    if top <= 0:
        raise Impossible("the records exclude each other: no genotypes fit all of them")
    return Factor(birds, table / top, log_scale + float(np.log(top)))


def multiply(factors: Sequence[Factor], keep: tuple[int, ...]) -> Factor:
    """Product of factors, summed over all birds but those to keep."""
    names = sorted({b for f in factors for b in f.birds})
    place = {bird: i for i, bird in enumerate(names)}
    operands: list[object] = []
    for factor in factors:
        operands += [factor.table, [place[b] for b in factor.birds]]
    table = np.einsum(*operands, [place[b] for b in keep], optimize="greedy")  # type: ignore[call-overload]
    return scaled(keep, np.asarray(table), sum(f.log_scale for f in factors))


def elimination_order(scopes: Sequence[tuple[int, ...]], count: int) -> list[int]:
    """Greedy order by the fewest neighbours (ties: the lowest row); TooWide if one has many."""
    neighbours: list[set[int]] = [set() for _ in range(count)]
    for scope in scopes:
        for bird in scope:
            neighbours[bird] |= set(scope) - {bird}
    left, order = set(range(count)), []
    while left:
        bird = min(left, key=lambda b: (len(neighbours[b]), b))
        if len(neighbours[bird]) + 1 > WIDEST:
            raise TooWide(
                f"this pedigree is too entangled for an exact answer: {len(neighbours[bird]) + 1} "
                f"birds at once, {WIDEST} at most"
            )
        for other in neighbours[bird]:
            neighbours[other] |= neighbours[bird] - {other}
            neighbours[other].discard(bird)
        left.discard(bird)
        order.append(bird)
    return order


def infer(
    sire: Sequence[int], dam: Sequence[int], likelihoods: Array, founder_prior: Array
) -> Posterior:
    """Posterior of every bird's genotype from all evidence of the flock.

    `sire`, `dam`: parents' rows (n,), -1 unknown. `likelihoods`: (n, 9), all ones where nothing
    was seen. `founder_prior`: (9,) or (n, 9). Raises PedigreeError (cycle), TooWide, Impossible.
    """
    count = len(sire)
    check(sire, dam)
    evidence = np.asarray(likelihoods, float)
    if evidence.shape != (count, STATES):
        raise PedigreeError(f"likelihoods must be ({count}, {STATES}), not {evidence.shape}")
    if count == 0:
        return Posterior(np.zeros((0, 9)), np.zeros((0, 9)), 0.0)
    prior = np.broadcast_to(np.asarray(founder_prior, float), (count, STATES))
    inherit = transmission()
    factors = []
    for bird in range(count):
        s, d = sire[bird], dam[bird]
        if s < 0 and d < 0:
            factors.append(scaled((bird,), prior[bird] / prior[bird].sum()))
        elif s < 0 or d < 0:
            known = max(s, d)
            average = np.einsum("s,sdc->dc", prior[bird] / prior[bird].sum(), inherit)
            factors.append(scaled((known, bird), average))
        elif s == d:
            raise PedigreeError(f"row {bird}: sire and dam are the same bird")
        else:
            factors.append(scaled((s, d, bird), np.asarray(inherit)))
    own = [scaled((bird,), evidence[bird]) for bird in range(count)]
    return propagate(factors, own, count)


def propagate(factors: list[Factor], own: list[Factor], count: int) -> Posterior:
    """Messages forth and back over the buckets of an elimination order."""
    order = elimination_order([f.birds for f in factors], count)
    position = {bird: i for i, bird in enumerate(order)}
    buckets: list[list[Factor]] = [[own[bird]] for bird in order]
    for factor in factors:
        buckets[min(position[b] for b in factor.birds)].append(factor)

    # Forth: each bucket sends its sum to the bucket of the first bird that is left.
    received: list[list[tuple[int, Factor]]] = [[] for _ in order]
    sent: list[tuple[int, Factor] | None] = [None] * count
    log_evidence = 0.0
    for i, bird in enumerate(order):
        content = buckets[i] + [message for _, message in received[i]]
        scope = {b for f in content for b in f.birds} - {bird}
        message = multiply(content, tuple(sorted(scope)))
        if scope:
            goal = min(position[b] for b in scope)
            sent[i] = (goal, message)
            received[goal].append((i, message))
        else:
            log_evidence += message.log_scale

    # Back: each bucket hears what all the others know.
    back: list[Factor | None] = [None] * count
    marginals, others = np.zeros((count, STATES)), np.zeros((count, STATES))
    for i in reversed(range(count)):
        bird = order[i]
        heard = [back[i]] if back[i] is not None else []
        content = [*buckets[i], *(m for _, m in received[i]), *(h for h in heard if h)]
        # All that the bucket holds but the bird's own evidence, which comes first in it.
        rest = multiply(content[1:], (bird,)).table if len(content) > 1 else np.ones(STATES)
        belief = rest * own[bird].table
        if belief.sum() <= 0:
            raise Impossible("the records exclude each other: no genotypes fit all of them")
        marginals[bird], others[bird] = belief / belief.sum(), rest / rest.sum()
        for source, message in received[i]:
            without = [
                *buckets[i],
                *(m for s, m in received[i] if s != source),
                *(h for h in heard if h),
            ]
            back[source] = multiply(without, message.birds)
    return Posterior(marginals, others, log_evidence)
