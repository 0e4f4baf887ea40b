"""How close crest and comb worked out in turn come to the exact answer.

    python -m benchmarks.layered

Lines of about 170 birds (4 generations of one cock over 4 hens, 10 chicks a hen) and pens, their
combs following Mendel with 3 % misreads, no crest noted: each is answered by joint tables, which
still fit, and layer by layer with messages. Prints the largest difference of a probability over
all birds and loci, and the times of both.
"""

from __future__ import annotations

import time
from datetime import date

import numpy as np

from benchmarks.flocks import mendelian_list
from genetics import posterior
from service.flock.evidence import evidence_of
from service.flock.flock_csv import parse_flock
from service.flock.inference import Inference, infer_flock

DAY = date(2026, 10, 4)


def both_ways(text: str) -> tuple[Inference, float, Inference, float]:
    """Answer a flock exactly and layer by layer, each with its seconds."""
    flock = parse_flock(text)
    evidence = [evidence_of(bird, (), [1 / 6] * 6, DAY) for bird in flock.birds]
    start = time.perf_counter()
    exact = infer_flock(flock, evidence)
    first = time.perf_counter() - start
    kept = posterior.joint_exactly
    posterior.joint_exactly = lambda flock, rows, found: np.arange(len(rows))
    try:
        start = time.perf_counter()
        layered = infer_flock(flock, evidence)
        return exact, first, layered, time.perf_counter() - start
    finally:
        posterior.joint_exactly = kept


def main() -> None:
    """Print differences and times."""
    for shape, birds, flocks in (("line", 170, 20), ("pens", 240, 20)):
        gaps, one, other = [], 0.0, 0.0
        for seed in range(flocks):
            text = mendelian_list(birds, "blank", shape, seed, 0.03, hens=4, chicks=10)
            exact, first, layered, second = both_ways(text)
            if exact.method != "exact":
                print(f"{shape} {seed}: joint tables don't fit")
                continue
            gaps.append(
                max(
                    float(np.abs(a.marginals - b.marginals).max())
                    for a, b in ((exact.combs, layered.combs), (exact.crest, layered.crest))
                )
            )
            one, other = one + first, other + second
        print(
            f"{shape}: {len(gaps)} flocks of {birds} birds, largest difference {max(gaps):.1e}, "
            f"median {np.median(gaps):.1e}; exact {one / len(gaps):.2f} s, layered "
            f"{other / len(gaps):.2f} s a flock"
        )


if __name__ == "__main__":
    main()
