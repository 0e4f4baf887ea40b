"""What conflicts are ascribed to, beside the whole flock worked out anew for each explanation.

    python -m benchmarks.culprits [--conflicts 50] [--birds 300]

Flocks of pens whose combs follow Mendel with a share of misreads, crests noted; for each conflict
the sire, the dam and every swap of two bands is tried by inferring the changed flock from the
start. Prints the largest difference of a share, and the time of both for one conflict.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from benchmarks.flocks import mendelian_flock
from genetics.combs import tables
from service.flock.conflicts import Culprit
from service.flock.contradictions import Contradictions
from service.flock.evidence import Evidence, evidence_of
from service.flock.flock_csv import Flock
from service.flock.inference import Inference, infer_flock

DAY = date(2026, 10, 4)


def evidence_total(flock: Flock, evidence: Sequence[Evidence]) -> float:
    """Logarithm of the probability of all that was seen, at all loci."""
    found = infer_flock(flock, evidence)
    return sum(layer.log_evidence for layer in (found.combs, found.crest, found.beard))


def by_whole_flocks(
    contradictions: Contradictions, row: int, evidence: Sequence[Evidence], plain: float
) -> dict[tuple[str, tuple[str, ...]], float]:
    """Weights of the explanations that change the pedigree, each from a whole inference."""
    flock, limits = contradictions.flock, tables()["conflict"]
    found: dict[tuple[str, tuple[str, ...]], float] = {}
    for side in ("sire", "dam"):
        sire, dam = list(flock.sire), list(flock.dam)
        parents = sire if side == "sire" else dam
        if parents[row] < 0:
            continue
        band = flock.birds[parents[row]].bird
        parents[row] = -1
        changed = replace(flock, sire=tuple(sire), dam=tuple(dam))
        weight = evidence_total(changed, evidence) - plain + np.log(limits["wrong_parent"])
        found[f"culprit_{side}", (band,)] = weight
    day = flock.birds[row].hatched
    partners = contradictions.on_day[day][contradictions.partners(row)].tolist() if day else []
    for other in partners:
        sire, dam = list(flock.sire), list(flock.dam)
        sire[row], sire[other] = sire[other], sire[row]
        dam[row], dam[other] = dam[other], dam[row]
        changed = replace(flock, sire=tuple(sire), dam=tuple(dam))
        weight = evidence_total(changed, evidence) - plain
        weight += np.log(limits["mixed_band"] / len(partners))
        bands = (flock.birds[row].bird, flock.birds[other].bird)
        found["culprit_bands", bands] = weight
    return found


def compared(flock: Flock, most: int) -> tuple[list[float], float, float]:
    """Largest differences of a share by conflict, and seconds for all of them both ways."""
    evidence = [evidence_of(bird, (), [1 / 6] * 6, DAY) for bird in flock.birds]
    inference: Inference = infer_flock(flock, evidence)
    found = Contradictions(flock, evidence, inference)
    rows = [row for row in found.found() if row in inference.combs.families][:most]
    plain = evidence_total(flock, evidence)
    gaps, quick, slow = [], 0.0, 0.0
    for row in rows:
        start = time.perf_counter()
        mine = found.weights("comb", row)
        quick += time.perf_counter() - start
        start = time.perf_counter()
        exact = by_whole_flocks(found, row, evidence, plain)
        slow += time.perf_counter() - start
        theirs: dict[Culprit, float] = {}
        for culprit, weight in mine.items():
            # Birds that are alike count as one: then the sum over them.
            names = [(culprit.kind, culprit.bands)]
            if culprit.kind == "culprit_bands":
                names = [(culprit.kind, (culprit.bands[0], b)) for b in culprit.bands[1:]]
            known = [exact[name] for name in names if name in exact]
            theirs[culprit] = float(np.logaddexp.reduce(known)) if known else weight
        gaps.append(largest_gap(mine, theirs))
    return gaps, quick, slow


def largest_gap(mine: dict[Culprit, float], theirs: dict[Culprit, float]) -> float:
    """Largest difference of a share."""
    one, other = (np.array([w[c] for c in mine]) for w in (mine, theirs))
    one, other = (np.exp(w - np.logaddexp.reduce(w)) for w in (one, other))
    return float(np.abs(one - other).max())


def main() -> None:
    """Print the differences."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--conflicts", type=int, default=50)
    parser.add_argument("--birds", type=int, default=300)
    asked = parser.parse_args()
    for shape in ("pens", "line"):
        gaps: list[float] = []
        quick = slow = 0.0
        seed = 0
        while len(gaps) < asked.conflicts:
            flock = mendelian_flock(asked.birds, "told", shape, seed, misread=0.03)
            more, one, other = compared(flock, asked.conflicts - len(gaps))
            gaps, quick, slow, seed = gaps + more, quick + one, slow + other, seed + 1
        print(
            f"{shape}: {len(gaps)} conflicts in {seed} flocks of {asked.birds} birds; "
            f"largest difference of a share {max(gaps):.4f}, median {np.median(gaps):.1e}; "
            f"{1000 * quick / len(gaps):.1f} ms a conflict beside {slow / len(gaps):.2f} s, "
            f"ratio {slow / quick:.0f}"
        )


if __name__ == "__main__":
    main()
