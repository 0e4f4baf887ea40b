"""How many birds would wrongly leave the breeding pen: by the top class alone, by the rule of two.

    python benchmarks/rule_of_two.py --photos DIR [--accuracy 0.9] [--rounds 20000]

The photographs are those of the split `check`, with heads of 40 px or more and agreed labels; the
reader reads them with given boxes. A bird leaves if it is taken for single (folded or not); it
leaves wrongly if it has another comb. Who acts on the top class alone lets every bird leave whose
likeliest comb is single. By the rule of two a second reader, blind and independent given the
comb, must say single as well; it is right with the given accuracy, and its mistakes fall on the
other three coarse combs alike ('even'), or all of them on single ('worst') where the comb isn't.
Every round draws the second reader anew; printed are means, and the ratio of wrong removals.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

sys.path.insert(0, str(Path(__file__).parent.parent))
from classifier.boxes import shorter
from classifier.photo import open_photo
from classifier.reader import Reader
from classifier.training.datasets import photographs
from classifier.vocabulary import coarse_of


def main() -> None:
    """Read, simulate, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--accuracy", type=float, default=0.9)
    parser.add_argument("--rounds", type=int, default=20_000)
    args = parser.parse_args()
    known = [
        s
        for s in photographs(args.photos, "check")
        if s.box and shorter(s.box) >= 40 and coarse_of(s.label)
    ]
    reader = Reader()
    readings = [reader.read([open_photo(s.path)], [s.box])[0] for s in known]
    single = np.array([coarse_of(s.label) == "single" for s in known])
    top = np.array([coarse_of(r.best) == "single" for r in readings])
    print(f"{len(known)} photographs, {single.sum()} single; taken for single: {top.sum()}")
    print(f"top class alone: {(top & ~single).sum()} of {(~single).sum()} others leave wrongly")
    rng = np.random.default_rng(0)
    for name, share in (("even", (1 - args.accuracy) / 3), ("worst", 1 - args.accuracy)):
        chance = np.where(single, args.accuracy, share)
        second = rng.random((args.rounds, len(known))) < chance
        leave = second & top
        wrong, right = (leave & ~single).sum(1), (leave & single).sum(1)
        alone = (top & ~single).sum()
        ratio = alone / wrong.mean() if wrong.mean() else float("inf")
        print(
            f"rule of two, mistakes {name}: {wrong.mean():.3f} wrongly ({ratio:.1f} times fewer), "
            f"{right.mean():.1f} of {(top & single).sum()} singles that were taken for single"
        )
    settled = [(s, r) for s, r in zip(known, readings, strict=True) if r.pile == "settled"]
    wrong = sum(coarse_of(s.label) != coarse_of(r.best) for s, r in settled)
    coarse = [
        sum(p for c, p in zip(reader.card.classes, r.comb, strict=True)
            if coarse_of(c) == coarse_of(r.best)) * (1 - r.none_of_these)
        for _, r in settled
    ]  # fmt: skip
    interval = binomtest(wrong, len(settled)).proportion_ci(0.95, method="wilson")
    print(
        f"settled: {wrong} of {len(settled)} wrong ({interval.low:.1%} to {interval.high:.1%}, "
        f"Wilson); stated on average: {1 - np.mean(coarse):.1%}"
    )


if __name__ == "__main__":
    main()
