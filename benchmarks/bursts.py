"""What further photos of a bird do to its pile: ten frames of one second, or another view.

    python -m classifier.render.heads --out BURSTS --first 600000 --count 500 --frames 10 --jobs 2
    python -m benchmarks.bursts --renders BURSTS

Every rendered bird is sorted as `combwright triage` sorts it, with nothing known of it but its
photos: by the first frame, by the ten frames of that second, by the first frame and another view,
and by all. Prints how many birds are settled and how many of these wrongly, with 95 % intervals by
bootstrap of birds, and the differences from one frame.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from classifier.calibration import bootstrap
from classifier.reader import Reader
from classifier.reading import Reading
from classifier.training.datasets import renders
from classifier.vocabulary import coarse_of
from service.flock.batch import sort_batch
from service.flock.flock_csv import parse_flock
from service.flock.photo_readings import read_all
from service.model import training_prior

VIEW = "-2"
LOOKS = ("one frame", "ten frames", "two views", "ten frames and another view")


def frames_by_bird(folder: Path) -> dict[str, tuple[str, list[Path], Path]]:
    """Return label, frames and the other view of every bird of whom all are there."""
    found: dict[str, list[Path]] = defaultdict(list)
    label: dict[str, str] = {}
    for sample in renders(folder):
        found[sample.group].append(sample.path)
        if sample.path.stem.count("-") == 1:
            label[sample.group] = sample.label
    birds = {}
    for bird, paths in found.items():
        frames = sorted(p for p in paths if not p.stem.endswith(VIEW))
        other = [p for p in paths if p.stem.endswith(VIEW)]
        if bird in label and other and len(frames) == 10:
            birds[bird] = (label[bird], frames, other[0])
    return birds


def piles(
    looks: dict[str, list[Path]], readings: dict[Path, Reading]
) -> dict[str, tuple[str, str]]:
    """Return pile and proposal of every bird by some of its photos."""
    rows = [f"{bird},{';'.join(p.name for p in paths)}" for bird, paths in looks.items()]
    flock = parse_flock("bird,photo\n" + "\n".join(rows) + "\n", "birds")
    photos = [p for paths in looks.values() for p in paths]
    batch = sort_batch(photos, readings, [], flock, training_prior(), None)
    return {item.bird: (item.pile, item.proposal or "") for item in batch.items}


def told(name: str, values: Sequence[bool], birds: Sequence[str]) -> str:
    """Return a count with its share and the interval of that."""
    flags = np.array(values, float)
    low, high = bootstrap(birds, lambda at: float(flags[at].mean()))
    return f"{name} {int(flags.sum())} ({flags.mean():.1%}, {low:.1%} to {high:.1%})"


def with_interval(change: NDArray[np.float64], birds: Sequence[str]) -> str:
    """Return a mean change with its 95 % interval."""
    low, high = bootstrap(birds, lambda at: float(change[at].mean()))
    return f"{change.mean():+.2%} of birds ({low:+.2%} to {high:+.2%})"


def main() -> None:
    """Measure: `python -m benchmarks.bursts --renders DIR`."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--renders", type=Path, required=True)
    args = parser.parse_args()
    birds = frames_by_bird(args.renders)
    names = list(birds)
    every = [p for _, frames, other in birds.values() for p in (*frames, other)]
    readings, failures = read_all(every, Reader().read, {})
    assert not failures, failures
    looks = {
        LOOKS[0]: {b: frames[:1] for b, (_, frames, _) in birds.items()},
        LOOKS[1]: {b: frames for b, (_, frames, _) in birds.items()},
        LOOKS[2]: {b: [frames[0], other] for b, (_, frames, other) in birds.items()},
        LOOKS[3]: {b: [*frames, other] for b, (_, frames, other) in birds.items()},
    }
    print(f"{len(names)} birds, {len(every)} photos")
    one: NDArray[np.float64] | None = None
    for look, photos in looks.items():
        found = piles(photos, readings)
        settled = [found[b][0] == "settled" for b in names]
        wrong = [
            s and (coarse_of(found[b][1]) or found[b][1]) != (coarse_of(birds[b][0]) or birds[b][0])
            for b, s in zip(names, settled, strict=True)
        ]
        print(f"{look}: {told('settled', settled, names)}; {told('wrongly', wrong, names)}")
        if one is None:
            one = np.array(wrong, float)
        else:
            change = np.array(wrong, float) - one
            print(f"  wrongly settled, less those of one frame: {with_interval(change, names)}")


if __name__ == "__main__":
    main()
