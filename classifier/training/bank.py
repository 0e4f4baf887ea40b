"""The bank of heads that learning from a flock rehearses and watches, made anew for new weights.

    python -m classifier.render.heads --out RENDERS --first 0 --count 1200 --jobs 2
    python -m classifier.render.heads --out WATCHED --first 910000 --count 800 --jobs 2
    python -m classifier.training.bank --renders RENDERS --watched WATCHED --photos DIR

Renders of the part `train` and photographs of the split `train` are rehearsed; the watched renders
are of birds that no training saw. What is kept of a head is its place in DIRECTIONS directions, as
bytes, and six logits: no picture can be made of that.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from safetensors.numpy import save_file

import classifier
from classifier.adaptation.bank import allowed_of
from classifier.adaptation.features import comb_logits
from classifier.photo import head_view, open_photo
from classifier.reader import BATCH, Reader
from classifier.training.datasets import Sample, part_of, photographs, renders
from classifier.vocabulary import coarse_of

DIRECTIONS = 96
Array = NDArray[np.float64]


def seen(reader: Reader, samples: Sequence[Sample]) -> Array:
    """Return pooled features (n, 1280) of heads in their boxes, as `Reader.read` sees them."""
    pooled = []
    for start in range(0, len(samples), BATCH):
        views = []
        for sample in samples[start : start + BATCH]:
            assert sample.box is not None
            photo = open_photo(sample.path)
            views.append(head_view(photo, sample.box, reader.card.context, reader.card.size))
        batch = reader.batch(views)
        plain = reader.networks.read(batch)["pooled"]
        mirrored = reader.networks.read(np.ascontiguousarray(batch[..., ::-1]))["pooled"]
        pooled.append((plain + mirrored) / 2)
    return np.concatenate(pooled).astype(float)


def directions_of(features: Array, count: int) -> tuple[Array, Array]:
    """Return the middle (k,) of features (n, k) and the `count` directions they vary most in."""
    middle = features.mean(0)
    _, spread, axes = np.linalg.svd(features - middle, full_matrices=False)
    return middle, axes[:count] / (spread[:count, None] / len(features) ** 0.5)


def main() -> None:
    """Build the bank: `python -m classifier.training.bank`."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--renders", type=Path, required=True)
    parser.add_argument("--watched", type=Path, required=True)
    parser.add_argument("--photos", type=Path, required=True)
    args = parser.parse_args()
    reader = Reader()
    rehearsed = [
        *(s for s in renders(args.renders) if part_of(s) == "train"),
        *photographs(args.photos, "train"),
    ]
    watched = renders(args.watched)
    samples = [s for s in [*rehearsed, *watched] if s.box and coarse_of(s.label) is not None]
    count = sum(s in rehearsed for s in samples)
    features = seen(reader, samples)
    guard = np.arange(len(samples)) >= count
    middle, axes = directions_of(features[~guard], DIRECTIONS)
    axes = axes.astype(np.float16).astype(float)
    middle = middle.astype(np.float32).astype(float)
    placed = (features - middle) @ axes.T
    scale = np.abs(placed).max(0) / 127
    names = sorted({s.label for s in samples})
    assert allowed_of(names).any(axis=1).all()
    folder = Path(classifier.__file__).parent / "bank"
    folder.mkdir(exist_ok=True)
    kept = {
        "middle": middle.astype(np.float32),
        "axes": axes.astype(np.float16),
        "directions": np.round(placed / scale).astype(np.int8),
        "scale": scale.astype(np.float32),
        "logits": comb_logits(reader, features).astype(np.float16),
        "label": np.array([names.index(s.label) for s in samples], np.uint8),
        "guard": guard.astype(np.uint8),
    }
    save_file(kept, folder / "heads.safetensors")
    about = {
        "weights": reader.card.document["weights"]["sha256"],
        "labels": names,
        "rehearsed": {
            "rendered heads": sum(s.source == "render" for s in samples[:count]),
            "heads of photographs of the split train": sum(
                s.source == "photo" for s in samples[:count]
            ),
        },
        "watched": {"rendered heads": int(guard.sum())},
        "licence": "numbers about heads: rendered by classifier.render, and those of the "
        "photographs that the weights were trained on (see the card)",
    }
    (folder / "bank.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
