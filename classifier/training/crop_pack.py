"""Packed head crops in memory, with all that is known of each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor

from classifier.training.datasets import HEAD_SIZE, MASK_SIZE, rows_of
from classifier.vocabulary import ALLOWED, COMBS, NONE, WATTLES

DECODED = "heads.npy"


@dataclass
class HeadPack:
    """Packed head crops in memory: images uint8 (n, 3, s, s) and targets; NaN is unknown."""

    images: Tensor
    allowed: Tensor
    """(n, 6) 1 for each comb class that the label allows; all 0 if the comb is unknown."""
    none: Tensor
    readable: Tensor
    crest: Tensor
    beard: Tensor
    wattles: Tensor
    """Index into WATTLES, -1 if unknown."""
    young: Tensor
    frontal: Tensor
    masks: Tensor
    """uint8 (n, m, m): 0 neither, 1 comb, 2 wattles, 255 unknown."""
    rendered: Tensor
    labels: list[str]
    groups: list[str]
    parts: list[str]
    """'train', 'choice' or 'test'."""
    pixels: Tensor
    sharpness: Tensor
    bright: Tensor
    wattle_share: Tensor
    """True area of the wattles over that of the square round the head; NaN is unknown."""
    scenes: list[str]
    """File of the whole picture in the pack, if it is there."""
    rounds: list[str]
    """'first' or 'second' round of photographs; empty for renders."""

    def to(self, device: torch.device) -> HeadPack:
        """Return the same pack with its tensors on `device`."""
        moved: dict[str, Any] = {
            k: v.to(device) if isinstance(v, Tensor) else v for k, v in vars(self).items()
        }
        return HeadPack(**moved)


def decoded_heads(folder: Path, rows: list[dict[str, str]]) -> NDArray[np.uint8]:
    """Crops (n, 3, s, s) of a pack."""
    images = np.zeros((len(rows), 3, HEAD_SIZE, HEAD_SIZE), np.uint8)
    for i, row in enumerate(rows):
        with Image.open(folder / row["file"]) as picture:
            images[i] = np.asarray(picture.convert("RGB")).transpose(2, 0, 1)
    return images


def keep_decoded(folder: Path) -> None:
    """Write a pack's crops as one array beside them, for many runs that read them at once."""
    if not (folder / DECODED).exists():
        np.save(folder / DECODED, decoded_heads(folder, rows_of(folder / "heads.csv")))


def load_heads(folder: Path) -> HeadPack:
    """Read `heads.csv` and its crops."""
    rows = rows_of(folder / "heads.csv")
    decoded = folder / DECODED
    images = np.load(decoded, mmap_mode="c") if decoded.exists() else decoded_heads(folder, rows)
    masks = np.full((len(rows), MASK_SIZE, MASK_SIZE), 255, np.uint8)
    for i, row in enumerate(rows):
        drawn = folder / row["file"].replace("/h", "/m").replace(".webp", ".png")
        if drawn.exists():
            with Image.open(drawn) as picture:
                masks[i] = np.asarray(picture)
    labels = [row["label"] for row in rows]
    yes = {"yes": 1.0, "no": 0.0}
    none = {NONE: 1.0, "not_a_head": 1.0, "unclear": math.nan, "differ": math.nan}
    readable = {"unclear": 0.0, "not_a_head": math.nan, "differ": math.nan}

    def column(values: list[float]) -> Tensor:
        return torch.tensor(values, dtype=torch.float32)

    return HeadPack(
        torch.from_numpy(images),
        torch.tensor([[c in ALLOWED.get(w, ()) for c in COMBS] for w in labels]).float(),
        column([none.get(w, 0.0) for w in labels]),
        column([readable.get(w, 1.0) for w in labels]),
        column([yes.get(r["crest"], math.nan) for r in rows]),
        column([yes.get(r["beard"], math.nan) for r in rows]),
        torch.tensor([WATTLES.index(r["wattles"]) if r["wattles"] else -1 for r in rows]),
        column([yes.get(r["young"], math.nan) for r in rows]),
        column([yes.get(r["frontal"], math.nan) for r in rows]),
        torch.from_numpy(masks),
        torch.tensor([r["source"] == "render" for r in rows]),
        labels,
        [r["group"] for r in rows],
        [r["part"] for r in rows],
        column([float(r["pixels"] or 0) for r in rows]),
        column([float(r["sharpness"] or 0) for r in rows]),
        column([float(r["bright"] or 0) for r in rows]),
        column([float(r["wattle_share"] or "nan") for r in rows]),
        [r["scene"] for r in rows],
        [r["round"] for r in rows],
    )
