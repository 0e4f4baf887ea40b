"""How the cost of exact pedigree inference grows with the flock.

    python benchmarks/pedigree.py

Prints, for pens of about 100 birds (founders, F1, back-cross, intercross), the time for each size
beside the one before it: the ratio of times over the ratio of sizes, 1 for linear growth; the
time of two flocks of 1,000 birds with inbreeding over 4 and 10 generations; and, for a flock too
wide for an exact answer (10 generations of one cock over 10 hens), the time of the approximate one
and its largest difference from a run four times as long with another seed.
"""

from __future__ import annotations

import resource
import time

import numpy as np

from genetics.combs import founder_prior
from genetics.cross import transmission
from genetics.cutset_sampling import PERIPHERY_CELLS, CutsetSampler
from genetics.pedigree import Layer, checked_layer, pedigree_of
from genetics.pedigree_network import network
from genetics.posterior import infer
from genetics.variable_elimination import propagate


def pens(count: int) -> tuple[list[int], list[int]]:
    """`count` pens: a cock and five hens, 24 F1, 30 of a back-cross, 40 of an intercross."""
    sire: list[int] = []
    dam: list[int] = []

    def chick(s: int, d: int) -> int:
        sire.append(s)
        dam.append(d)
        return len(sire) - 1

    for _ in range(count):
        cock, *hens = (chick(-1, -1) for _ in range(6))
        first = [chick(cock, hens[i % 5]) for i in range(24)]
        for i in range(30):
            chick(first[0], hens[i % 5])
        for i in range(40):
            chick(first[1], first[2 + i % 6])
    return sire, dam


def line(generations: int, hens: int, chicks: int) -> tuple[list[int], list[int]]:
    """One cock over `hens` hens each generation, `chicks` a hen, parents drawn at random."""
    rng = np.random.default_rng(0)
    sire, dam, before = [-1] * (hens + 1), [-1] * (hens + 1), list(range(hens + 1))
    for _ in range(generations):
        now = []
        for hen in before[1 : hens + 1]:
            for _ in range(chicks):
                now.append(len(sire))
                sire.append(before[0])
                dam.append(hen)
        before = [int(b) for b in rng.permutation(now)]
    return sire, dam


def timed(sire: list[int], dam: list[int]) -> float:
    """Seconds for one inference with a random likelihood for every bird."""
    likelihoods = np.random.default_rng(1).random((len(sire), 9))
    start = time.perf_counter()
    infer(sire, dam, likelihoods, founder_prior())
    return time.perf_counter() - start


def wide() -> None:
    """Time the flock that is too wide; print its stated error and how far a long run differs."""
    sire, dam = line(10, 10, 10)
    likelihoods = np.random.default_rng(1).random((len(sire), 9))
    layer = Layer(np.asarray(transmission()), founder_prior(), likelihoods)
    everyone = np.arange(len(sire))
    checked = checked_layer(layer, len(sire))
    factors, own = network(pedigree_of(sire, dam), checked, 0, everyone, {})
    sizes = [9] * len(sire)
    start = time.perf_counter()
    answer = infer(sire, dam, likelihoods, founder_prior(), rng=np.random.default_rng(0))
    took = time.perf_counter() - start
    # Four times the sweeps of the longest run of the product, from another seed.
    long = CutsetSampler(np.random.default_rng(1), aim=0.0, most_sweeps=4000)
    reference = propagate(factors, own, sizes, (), long, PERIPHERY_CELLS)
    gap = np.abs(answer.marginals - np.array(reference.marginals)).max()
    print(
        f"{len(sire):>7} birds, 10 generations, 10 hens: {took:.1f} s, {answer.method}, "
        f"standard error {answer.error:.4f}, {gap:.4f} from a run of {long.sweeps} sweeps"
    )


def main() -> None:
    """Print the table."""
    timed(*pens(1))
    for shape in ((4, 10, 25), (10, 3, 33)):
        sire, dam = line(*shape)
        told = f"{len(sire):>7} birds, {shape[0]} generations, {shape[1]} hens"
        print(f"{told}: {timed(sire, dam):.2f} s")
    wide()
    last: tuple[int, float] | None = None
    for count in (10, 100, 300, 1000):
        sire, dam = pens(count)
        seconds = timed(sire, dam)
        growth = ""
        if last:
            growth = f", growth {(seconds / last[1]) / (len(sire) / last[0]):.2f} of linear"
        print(f"{len(sire):>7} birds in {count} pens: {seconds:.2f} s{growth}")
        last = (len(sire), seconds)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"peak memory {peak:.2f} GB")


if __name__ == "__main__":
    main()
