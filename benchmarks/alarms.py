"""How often records without a mistake are told to contradict each other.

    python -m benchmarks.alarms [--flocks 1000]

Lines and pens whose combs follow Mendel and are all read right, crests noted, not noted or half:
every conflict is a false alarm. Prints them a thousand birds, with the interval that chance leaves.
"""

from __future__ import annotations

import argparse
from datetime import date

from scipy.stats import chi2

from benchmarks.flocks import mendelian_flock
from service.flock.contradictions import conflicts_of
from service.flock.evidence import evidence_of
from service.flock.inference import infer_flock

DAY = date(2026, 10, 4)
SHAPES, CRESTS = ("pens", "line"), ("told", "blank", "half")


def alarms(seed: int, birds: int) -> int:
    """Return how many birds of a flock without a mistake are told to be in conflict."""
    flock = mendelian_flock(birds, CRESTS[seed % 3], SHAPES[seed % 2], seed, misread=0.0)
    evidence = [evidence_of(bird, (), [1 / 6] * 6, DAY) for bird in flock.birds]
    return len(conflicts_of(flock, evidence, infer_flock(flock, evidence)))


def main() -> None:
    """Print the rate."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flocks", type=int, default=1000)
    parser.add_argument("--birds", type=int, default=200)
    asked = parser.parse_args()
    found = sum(alarms(seed, asked.birds) for seed in range(asked.flocks))
    thousands = asked.flocks * asked.birds / 1000
    # The exact interval of a Poisson rate (Garwood 1936, Biometrika 28).
    low = chi2.ppf(0.025, 2 * found) / 2 if found else 0.0
    high = chi2.ppf(0.975, 2 * found + 2) / 2
    print(
        f"{asked.flocks} flocks of {asked.birds} birds: {found} alarms, {found / thousands:.3f} a "
        f"thousand birds (95 % interval {low / thousands:.3f} to {high / thousands:.3f})"
    )


if __name__ == "__main__":
    main()
