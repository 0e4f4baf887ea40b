"""How easily renders are told from photographs: a linear probe on ImageNet features.

    python -m classifier.render.probe --photos DIR --renders DIR [--first N] [--last N]

Prints, for head crops of the split `train` beside renders of a range of seeds, the accuracy of a
logistic regression on EfficientNet-Lite0's ImageNet features (cross-validated over groups, both
kinds alike in number and in size of the heads; 0.5 would be a perfect render) and the Frechet
distance of the features (0 would be the same distribution). Beside it the distance between two
random halves of the photographs: what so few pictures give by chance. Needs the extra `[train]`.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image

from classifier.boxes import Box, shorter, square_crop
from classifier.network import ReaderNetwork, load_imagenet
from classifier.training.datasets import Sample, photographs, renders
from classifier.training.pipeline import pack_backbone
from classifier.training.predictions import VIEW_CONTEXT, normalise
from classifier.training.reader import backbone_of
from classifier.vocabulary import ALLOWED

Array = NDArray[np.float64]
SIZE = 160


def imagenet_network() -> ReaderNetwork:
    """Return the reader's network with nothing but ImageNet weights."""
    network = ReaderNetwork()
    with tempfile.TemporaryDirectory() as folder:
        pack_backbone(Path(folder))
        state = backbone_of(Path(folder))
    assert state is not None
    load_imagenet(network.backbone, state)
    return network.eval()


def crop_of(sample: Sample, pixels: float) -> Image.Image:
    """Return a head crop as if the head had at most `pixels`, at the network's size."""
    assert sample.box is not None
    with Image.open(sample.path) as raw:
        picture = raw.convert("RGB")
    scale = min(1.0, pixels / shorter(sample.box))
    if scale < 1:
        size = (max(1, round(picture.width * scale)), max(1, round(picture.height * scale)))
        picture = picture.resize(size, Image.Resampling.LANCZOS)
    box: Box = tuple(v * scale for v in sample.box)  # type: ignore[assignment]
    return square_crop(picture, box, VIEW_CONTEXT, SIZE)


@torch.inference_mode()
def features(network: ReaderNetwork, crops: Sequence[Image.Image]) -> Array:
    """Pooled features (n, 1280)."""
    parts = []
    for start in range(0, len(crops), 64):
        pixels = np.stack([np.asarray(c, np.float32) for c in crops[start : start + 64]])
        batch = torch.from_numpy(pixels.transpose(0, 3, 1, 2).copy()) / 255
        parts.append(network.features(normalise(batch))[0].double().numpy())
    return np.concatenate(parts)


def frechet(a: Array, b: Array) -> float:
    """Frechet distance of two Gaussians fitted to features (n, k) and (m, k).

    Heusel et al. 2017, GANs trained by a two time-scale update rule (from memory). The trace of
    the root of the product of covariances is the sum of the singular values of the product of
    their roots, which for few samples and many features is cheap and stays real.
    """
    x, y = (f - f.mean(0) for f in (a, b))
    x, y = x / (len(a) - 1) ** 0.5, y / (len(b) - 1) ** 0.5
    cross = np.linalg.svd(x @ y.T, compute_uv=False).sum()
    gap = a.mean(0) - b.mean(0)
    return float(gap @ gap + (x**2).sum() + (y**2).sum() - 2 * cross)


def probe(a: Array, b: Array, groups: Sequence[str]) -> float:
    """Cross-validated accuracy of a logistic regression that tells rows of `a` from `b`'s."""
    from sklearn.linear_model import LogisticRegression
    from sklearn.model_selection import GroupKFold, cross_val_score
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    model = make_pipeline(StandardScaler(), LogisticRegression(C=0.01, max_iter=2000))
    kind = np.r_[np.zeros(len(a)), np.ones(len(b))]
    folds = GroupKFold(5)
    return float(
        cross_val_score(model, np.concatenate([a, b]), kind, groups=groups, cv=folds).mean()
    )


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--renders", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--last", type=int, default=10**9)
    args = parser.parse_args()
    rng = np.random.default_rng(0)
    real = [s for s in photographs(args.photos, "train") if s.label in ALLOWED and s.box]
    made = [
        s
        for s in renders(args.renders)
        if s.label in ALLOWED and args.first <= int(s.group.split("-")[1]) < args.last
    ]
    made = [made[i] for i in rng.permutation(len(made))[: len(real)]]
    # Renders are brought to the sizes of the photographs' heads, or size alone would tell.
    sizes = rng.permutation([shorter(s.box) for s in real if s.box])
    network = imagenet_network()
    photo = features(network, [crop_of(s, 1e9) for s in real])
    render = features(network, [crop_of(s, float(p)) for s, p in zip(made, sizes, strict=False)])
    count = min(len(photo), len(render))
    groups = [s.group for s in [*real[:count], *made[:count]]]
    half = rng.permutation(len(photo))
    one, other = photo[half[: len(half) // 2]], photo[half[len(half) // 2 :]]
    print(f"{count} photographs, {count} renders of seeds {args.first} to {args.last}")
    accuracy = probe(photo[:count], render[:count], groups)
    print(f"linear probe, render or photograph: accuracy {accuracy:.3f}")
    chance = frechet(one, other)
    print(f"Frechet distance {frechet(photo, render):.1f}; halves of the photographs {chance:.1f}")


if __name__ == "__main__":
    main()
