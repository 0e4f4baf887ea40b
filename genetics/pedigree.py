"""Exact posteriors of a whole flock: variable elimination forth and back, loops included.

Birds are rows of arrays; -1 stands for an unknown parent. A bird with one unknown parent gets
a founder in its place. The graph of families is eliminated in a greedy order; the tables of a
clique of w birds have 9^w cells, and a flock that would need more than WIDEST birds at once is
refused rather than answered slowly or wrongly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush

import numpy as np
from numpy.typing import NDArray

from genetics.cross import transmission

Array = NDArray[np.float64]
STATES, WIDEST = 9, 7
MOST_OPERANDS = 20


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


def grouped(factors: Sequence[Factor]) -> dict[tuple[int, ...], list[Factor]]:
    """Factors by their scope."""
    groups: dict[tuple[int, ...], list[Factor]] = {}
    for factor in factors:
        groups.setdefault(factor.birds, []).append(factor)
    return groups


def logs_of(factors: Sequence[Factor]) -> Array:
    """Logarithms of tables of one scope, stacked (k, ...); log 0 is -inf."""
    with np.errstate(divide="ignore"):
        return np.log(np.stack([f.table for f in factors]))


def from_logs(birds: tuple[int, ...], logs: Array, log_scale: float = 0.0) -> Factor:
    """A factor from the logarithm of its table; Impossible if that is -inf everywhere."""
    top = float(logs.max())
    if top == -np.inf:
        raise Impossible("the records exclude each other: no genotypes fit all of them")
    return Factor(birds, np.exp(logs - top), log_scale + top)


def merged(factors: Sequence[Factor]) -> list[Factor]:
    """The same product with one factor a scope: hundreds of chicks of a pair become one table."""
    return [
        from_logs(birds, logs_of(group).sum(0), sum(f.log_scale for f in group))
        if len(group) > 1
        else group[0]
        for birds, group in grouped(factors).items()
    ]


def multiply(factors: Sequence[Factor], keep: tuple[int, ...]) -> Factor:
    """Product of factors, summed over all birds but those to keep."""
    few = merged(factors)
    place = {bird: i for i, bird in enumerate(sorted({b for f in few for b in f.birds}))}
    # einsum takes a limited number of tables: more are multiplied part by part.
    while len(few) > MOST_OPERANDS:
        part, few = few[:MOST_OPERANDS], few[MOST_OPERANDS:]
        few.append(multiply(part, tuple(sorted({b for f in part for b in f.birds}))))
    operands: list[object] = []
    for factor in few:
        operands += [factor.table, [place[b] for b in factor.birds]]
    table = np.einsum(*operands, [place[b] for b in keep], optimize="greedy")  # type: ignore[call-overload]
    return scaled(keep, np.asarray(table), sum(f.log_scale for f in few))


def each_without(factors: Sequence[Factor]) -> list[Factor]:
    """For each factor, the product of all the others, summed down to that factor's birds.

    Factors of one scope share the work: what lies outside the scope is summed once, and inside
    it sums of logarithms from both ends leave one factor out at a time.
    """
    answers: dict[int, Factor] = {}
    groups = grouped(factors)
    for birds, group in groups.items():
        outside = [f for scope, members in groups.items() if scope != birds for f in members]
        logs = logs_of(group)
        empty = np.zeros((1, *logs.shape[1:]))
        before = np.concatenate([empty, np.cumsum(logs, 0)[:-1]])
        after = np.concatenate([np.cumsum(logs[::-1], 0)[::-1][1:], empty])
        around = (
            logs_of([spread(multiply(outside, shared(outside, birds)), birds)])[0]
            if outside
            else 0.0
        )
        for factor, left in zip(group, before + after, strict=True):
            answers[id(factor)] = from_logs(birds, left + around)
    return [answers[id(f)] for f in factors]


def shared(factors: Sequence[Factor], birds: tuple[int, ...]) -> tuple[int, ...]:
    """Those of `birds` that occur in any of the factors."""
    known = {b for f in factors for b in f.birds}
    return tuple(b for b in birds if b in known)


def spread(factor: Factor, birds: tuple[int, ...]) -> Factor:
    """The factor over more birds, on which it doesn't depend; `birds` keeps its order."""
    shape = [STATES if b in factor.birds else 1 for b in birds]
    table = np.broadcast_to(factor.table.reshape(shape), [STATES] * len(birds))
    return Factor(birds, table, factor.log_scale)


def elimination_order(scopes: Sequence[tuple[int, ...]], count: int) -> list[int]:
    """Greedy order by the fewest neighbours (ties: the lowest row); TooWide if one has many."""
    neighbours: list[set[int]] = [set() for _ in range(count)]
    for scope in scopes:
        for bird in scope:
            neighbours[bird].update(scope)
    for bird in range(count):
        neighbours[bird].discard(bird)
    # Old entries stay in the heap and are skipped when a bird's count has changed since.
    heap = [(len(neighbours[b]), b) for b in range(count)]
    heapify(heap)
    left, order = [True] * count, []
    while heap:
        size, bird = heappop(heap)
        if not left[bird] or size != len(neighbours[bird]):
            continue
        if size + 1 > WIDEST:
            raise TooWide(
                f"this pedigree is too entangled for an exact answer: {size + 1} birds at once, "
                f"{WIDEST} at most"
            )
        for other in neighbours[bird]:
            neighbours[other] |= neighbours[bird]
            neighbours[other] -= {bird, other}
            heappush(heap, (len(neighbours[other]), other))
        left[bird] = False
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
    log_evidence = 0.0
    for i, bird in enumerate(order):
        content = buckets[i] + [message for _, message in received[i]]
        scope = {b for f in content for b in f.birds} - {bird}
        message = multiply(content, tuple(sorted(scope)))
        if scope:
            goal = min(position[b] for b in scope)
            received[goal].append((i, message))
        else:
            log_evidence += message.log_scale

    # Back: each bucket hears what all the others know.
    back: list[Factor | None] = [None] * count
    marginals, others = np.zeros((count, STATES)), np.zeros((count, STATES))
    for i in reversed(range(count)):
        bird = order[i]
        heard = back[i]
        content = [*buckets[i], *(m for _, m in received[i]), *([heard] if heard else [])]
        # The bird's own evidence comes first in its bucket; each message hears all but itself.
        without = each_without(content)
        rest = without[0].table
        belief = rest * own[bird].table
        if belief.sum() <= 0:
            raise Impossible("the records exclude each other: no genotypes fit all of them")
        marginals[bird], others[bird] = belief / belief.sum(), rest / rest.sum()
        start = len(buckets[i])
        for (source, _), message in zip(received[i], without[start:], strict=False):
            back[source] = message
    return Posterior(marginals, others, log_evidence)
