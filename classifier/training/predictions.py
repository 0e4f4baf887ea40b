"""What a trained reader says of crops that it was not trained on, and tables of that."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor
from torch.nn import functional

from classifier import novelty
from classifier.boxes import Box, square_crop
from classifier.network import ReaderNetwork
from classifier.outputs import HEADS, wattle_share
from classifier.training.crop_pack import HeadPack
from classifier.training.datasets import HEAD_CONTEXT, HEAD_SIZE

MEAN = STD = 0.5  # EfficientNet-Lite wants -1..1
VIEW_CONTEXT = 1.25
# What a table of predictions holds of each crop.
TRUTHS = (
    "crest",
    "beard",
    "wattles",
    "young",
    "frontal",
    "wattle_share",
    "pixels",
    "sharpness",
    "bright",
)


def normalise(images: Tensor) -> Tensor:
    """0..1 to what the backbone wants."""
    return (images - MEAN) / STD


def views(images: Tensor, size: int) -> Tensor:
    """Centred views (n, 3, size, size) of packed crops, as the reader gets them in use."""
    side = round(HEAD_SIZE * VIEW_CONTEXT / HEAD_CONTEXT)
    cut = (HEAD_SIZE - side) // 2
    inner = images[:, :, cut : cut + side, cut : cut + side].float() / 255
    return functional.interpolate(
        inner, size=size, mode="bilinear", antialias=True, align_corners=False
    )


@torch.no_grad()
def predict(
    network: ReaderNetwork,
    seen: Tensor,
    device: torch.device,
    manner: dict[str, NDArray[np.float32]],
) -> dict[str, Tensor]:
    """Mean logits over views (n, 3, s, s in 0..1) and their mirror images; the wattles' share,
    and how unlike the heads are to those of the training.
    """
    network.eval()
    parts: list[dict[str, Tensor]] = []
    for chunk in seen.split(128):
        batch = normalise(chunk.to(device))
        plain, mirrored = network(batch), network(batch.flip(3))
        drawn = (plain["masks"] + mirrored["masks"].flip(3)) / 2
        means = {k: ((plain[k] + mirrored[k]) / 2).float().cpu() for k in HEADS}
        unlike = novelty.distance(plain["pooled"].float().cpu().numpy(), manner)
        share = wattle_share(drawn.float().cpu().numpy(), VIEW_CONTEXT)
        told = {"share": share, "unlike": unlike}
        parts.append(means | {k: torch.from_numpy(v)[:, None] for k, v in told.items()})
    return {k: torch.cat([p[k] for p in parts]) for k in parts[0]}


@torch.no_grad()
def features(network: ReaderNetwork, crops: Tensor, size: int) -> Tensor:
    """Pooled features (n, k) of packed crops (uint8)."""
    network.eval()
    return torch.cat(
        [network(normalise(views(c, size)))["pooled"].float().cpu() for c in crops.split(128)]
    )


def found_views(
    folder: Path, pack: HeadPack, chosen: Sequence[int], boxes: dict[str, Box], size: int
) -> Tensor:
    """Return views (n, 3, size, size) of heads as a finder's boxes cut them out of their scenes."""
    views = np.zeros((len(chosen), size, size, 3), np.uint8)
    for place, i in enumerate(chosen):
        with Image.open(folder / pack.scenes[i]) as scene:
            cut = square_crop(scene.convert("RGB"), boxes[pack.scenes[i]], VIEW_CONTEXT, size)
        views[place] = np.asarray(cut)
    return torch.from_numpy(views).permute(0, 3, 1, 2).float() / 255


def write_predictions(
    logits: dict[str, Tensor], pack: HeadPack, chosen: Sequence[int], path: Path
) -> None:
    """Write logits of the chosen crops as a table, for calibration and scores."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        columns = [f"{k}{i}" for k, v in logits.items() for i in range(v.shape[1])]
        writer.writerow(["row", "source", "part", "group", "label", *TRUTHS, *columns])
        table = torch.cat(list(logits.values()), 1)
        for position, i in enumerate(chosen):
            source = "render" if bool(pack.rendered[i]) else "photo"
            truth = [float(getattr(pack, name)[i]) for name in TRUTHS]
            values = [f"{v:.4f}" for v in table[position].tolist()]
            about = [i, source, pack.parts[i], pack.groups[i], pack.labels[i]]
            writer.writerow([*about, *truth, *values])
