"""Exact pedigree inference beside pgmpy's, a general library for Bayesian networks.

    pip install pgmpy && python benchmarks/against_pgmpy.py

Prints the largest difference over 50 random pedigrees of up to 25 birds with loops, and the ratio
of the times on pens of growing size, both measured in this run, until pgmpy takes longer than ten
minutes. pgmpy answers in two ways, by a query for each bird and by one junction tree for all; the
quicker one counts.
"""

from __future__ import annotations

import logging
import multiprocessing
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from pgmpy import models
from pgmpy.factors.discrete import DiscreteFactor
from pgmpy.inference import BeliefPropagation, VariableElimination

from benchmarks.pedigree import pens
from genetics.combs import founder_prior
from genetics.cross import transmission
from genetics.errors import TooWide
from genetics.posterior import infer

logging.disable(logging.WARNING)
SIZES = (25, 50, 100, 200, 400, 800, 1600)
LIMIT = 600
# The class was renamed between pgmpy 1.0 and 1.1.
Network = getattr(models, "DiscreteMarkovNetwork", None) or models.MarkovNetwork


def random_pedigree(rng: np.random.Generator, birds: int) -> tuple[list[int], list[int]]:
    """Parents drawn among the birds before, some unknown."""
    sire, dam = [-1] * birds, [-1] * birds
    for i in range(2, birds):
        if rng.random() < 0.65:
            sire[i], dam[i] = (int(v) for v in rng.choice(i, 2, replace=False))
    return sire, dam


def by_pgmpy(
    sire: list[int],
    dam: list[int],
    likelihoods: NDArray[np.float64],
    method: type = VariableElimination,
) -> NDArray[np.float64]:
    """Marginals (n, 9) by pgmpy, by default by variable elimination, on the same factors."""
    network = Network()
    prior, inherit = founder_prior(), np.asarray(transmission())
    names = [f"b{i}" for i in range(len(sire))]
    network.add_nodes_from(names)
    factors = []
    for i, (s, d) in enumerate(zip(sire, dam, strict=True)):
        factors.append(DiscreteFactor([names[i]], [9], likelihoods[i]))
        if s < 0:
            factors.append(DiscreteFactor([names[i]], [9], prior))
        else:
            scope = [names[s], names[d], names[i]]
            network.add_edges_from([(a, b) for k, a in enumerate(scope) for b in scope[:k]])
            factors.append(DiscreteFactor(scope, [9, 9, 9], inherit))
    network.add_factors(*factors)
    engine = method(network)
    answers = [engine.query([name], show_progress=False) for name in names]
    return np.array([a.values / a.values.sum() for a in answers])


def main() -> None:
    """Print differences and ratios."""
    worst, compared, refused, seed = 0.0, 0, 0, 0
    while compared < 50:
        rng = np.random.default_rng(seed)
        seed += 1
        sire, dam = random_pedigree(rng, int(rng.integers(3, 26)))
        likelihoods = rng.random((len(sire), 9))
        try:
            mine = infer(sire, dam, likelihoods, founder_prior()).marginals
        except TooWide:
            refused += 1
            continue
        worst = max(worst, float(np.abs(mine - by_pgmpy(sire, dam, likelihoods)).max()))
        compared += 1
    print(f"{compared} pedigrees, largest difference {worst:.1e} ({refused} refused as too wide)")
    for birds in SIZES:
        sire, dam = (part[:birds] for part in pens(-(-birds // 100)))
        likelihoods = np.random.default_rng(1).random((birds, 9))
        ours = min(seconds(infer, sire, dam, likelihoods, founder_prior()) for _ in range(3))
        theirs = {}
        for method in (VariableElimination, BeliefPropagation):
            theirs[method.__name__] = timed_apart(sire, dam, likelihoods, method)
        told = ", ".join(f"{n} {t:.1f} s" if t else f"{n} gave up" for n, t in theirs.items())
        done = [t for t in theirs.values() if t]
        if not done:
            print(f"{birds} birds: {ours:.3f} s, pgmpy: {told} ({LIMIT} s)")
            break
        print(f"{birds} birds: {ours:.3f} s, pgmpy: {told}, ratio {min(done) / ours:.0f}")


def seconds(function: Callable[..., object], *arguments: object) -> float:
    """How long a call takes."""
    start = time.perf_counter()
    function(*arguments)
    return time.perf_counter() - start


def timed_apart(
    sire: list[int], dam: list[int], likelihoods: NDArray[np.float64], method: type
) -> float | None:
    """Seconds pgmpy takes in a process of its own; None if it passes the limit or fails."""
    answer: multiprocessing.Queue[float] = multiprocessing.Queue()

    def work() -> None:
        answer.put(seconds(by_pgmpy, sire, dam, likelihoods, method))

    process = multiprocessing.get_context("fork").Process(target=work)
    process.start()
    process.join(LIMIT)
    if process.is_alive():
        process.kill()
        return None
    return answer.get() if process.exitcode == 0 else None


if __name__ == "__main__":
    main()
