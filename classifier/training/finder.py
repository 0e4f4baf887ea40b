"""Training of the head finder: a heat map of head centres and the box round each."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np
import torch
from PIL import Image
from safetensors.torch import save_file
from torch import Tensor
from torch.nn import functional

from classifier.boxes import Box, iou
from classifier.network import FinderNetwork, load_imagenet
from classifier.outputs import STRIDE, peaks
from classifier.quality import rules
from classifier.training import augment
from classifier.training.datasets import SCENE_SIZE, rows_of
from classifier.training.predictions import normalise
from classifier.training.reader import Settings, fold_of, optimise

SAME_HEAD, MET = 0.2, 0.5  # overlaps (IoU) from which a box is of the same head, and meets it


def load_scenes(folder: Path) -> tuple[Tensor, Tensor, list[dict[str, str]]]:
    """Scenes uint8 (n, 3, s, s) letterboxed at the top left, boxes (n, 4), NaN without a head."""
    rows = rows_of(folder / "scenes.csv")
    images = np.full((len(rows), 3, SCENE_SIZE, SCENE_SIZE), 115, np.uint8)
    boxes = np.full((len(rows), 4), np.nan, np.float32)
    for i, row in enumerate(rows):
        with Image.open(folder / row["file"]) as picture:
            pixels = np.asarray(picture.convert("RGB")).transpose(2, 0, 1)
        images[i, :, : pixels.shape[1], : pixels.shape[2]] = pixels
        if row["x0"]:
            boxes[i] = [float(row[k]) for k in ("x0", "y0", "x1", "y1")]
    return torch.from_numpy(images), torch.from_numpy(boxes), rows


def finder_loss(heat: Tensor, sides: Tensor, boxes: Tensor, size: int) -> Tensor:
    """Focal loss on a Gaussian heat map and generalised IoU of the boxes near its top."""
    from torchvision.ops import generalized_box_iou_loss

    cells = heat.shape[-1]
    at = (torch.arange(cells, device=heat.device) + 0.5) * (size / cells)
    y, x = torch.meshgrid(at, at, indexing="ij")
    has = ~torch.isnan(boxes[:, 0])
    known = torch.nan_to_num(boxes, nan=1.0)[:, :, None, None]
    middle_x, middle_y = (known[:, 0] + known[:, 2]) / 2, (known[:, 1] + known[:, 3]) / 2
    wide = (known[:, 2] - known[:, 0]).clamp(min=STRIDE) * 0.16
    high = (known[:, 3] - known[:, 1]).clamp(min=STRIDE) * 0.16
    goal = torch.exp(-0.5 * (((x - middle_x) / wide) ** 2 + ((y - middle_y) / high) ** 2))
    goal = goal * has[:, None, None]
    score = torch.sigmoid(heat.float())
    hit = goal > 0.7
    positive = -goal * (1 - score) ** 2 * functional.logsigmoid(heat.float())
    negative = -((1 - goal) ** 4) * score**2 * functional.logsigmoid(-heat.float())
    each = torch.where(hit, positive, negative).sum((1, 2))
    focal = (each / hit.sum((1, 2)).clamp(min=1)).mean()
    if not bool(hit.any()):
        return focal
    n, rows, columns = torch.nonzero(hit, as_tuple=True)
    reach = sides.float()[n, :, rows, columns] * STRIDE
    px, py = at[columns], at[rows]
    found = torch.stack([px - reach[:, 0], py - reach[:, 1], px + reach[:, 2], py + reach[:, 3]], 1)
    overlap = generalized_box_iou_loss(found, boxes[n])
    weight = goal[n, rows, columns]
    return focal + 2.0 * (overlap * weight).sum() / weight.sum()


def train_finder(
    folder: Path,
    settings: Settings,
    backbone: dict[str, Tensor] | None,
    out: Path,
    device: torch.device,
    progress: Callable[[int, float], None] | None = None,
) -> FinderNetwork:
    """Train the head finder on scenes and write its weights."""
    torch.manual_seed(settings.seed)
    out.mkdir(parents=True, exist_ok=True)
    images, boxes, rows = load_scenes(folder)
    rendered = torch.tensor([r["source"] == "render" for r in rows])
    usable = ~held_out(rows, settings)
    weights = torch.where(rendered, 0.35 / max(1, int((usable & rendered).sum())), 0.0)
    weights += torch.where(~rendered, 0.65 / max(1, int((usable & ~rendered).sum())), 0.0)
    weights = weights * usable
    network = FinderNetwork().to(device)
    network.to(memory_format=torch.channels_last)
    if backbone:
        load_imagenet(network.backbone, backbone)
    pictures, corners = images.to(device), boxes.to(device)
    generator = torch.Generator().manual_seed(settings.seed)

    def loss_of(step: int) -> Tensor:
        picks = torch.multinomial(weights, settings.batch, True, generator=generator).to(device)
        seen, moved = augment.scenes(pictures[picks].float() / 255, corners[picks], SCENE_SIZE)
        seen = normalise(seen).contiguous(memory_format=torch.channels_last)
        heat, sides = network(seen)
        return finder_loss(heat, sides, moved, SCENE_SIZE)

    best = optimise(network, loss_of, settings, out, progress)
    assert isinstance(best, FinderNetwork)
    write_found(best, folder, settings, out / "held_out.csv", device)
    (out / "settings.json").write_text(json.dumps(asdict(settings), indent=1))
    # Last of all: where the weights are, the run is done.
    save_file({k: v.contiguous().half() for k, v in best.state_dict().items()}, out / "finder.st")
    return best


def held_out(rows: Sequence[dict[str, str]], settings: Settings) -> Tensor:
    """Return which scenes (n,) a finder of these settings isn't trained on."""
    fold = torch.tensor([fold_of(r["group"], settings.folds) == settings.fold for r in rows])
    rendered = torch.tensor([r["source"] == "render" for r in rows])
    kept = torch.tensor([r["part"] != "train" for r in rows])
    return torch.where(rendered, kept, fold)


def write_found(
    network: FinderNetwork, folder: Path, settings: Settings, path: Path, device: torch.device
) -> None:
    """Write the box that a finder gives to each scene that it wasn't trained on."""
    images, boxes, rows = load_scenes(folder)
    chosen = torch.nonzero(held_out(rows, settings))[:, 0]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["file", "source", "own_box", "score", "x0", "y0", "x1", "y1", "iou"])
        for i, score, box in found(network, images[chosen], device):
            row, truth = rows[int(chosen[i])], boxes[chosen[i]]
            writer.writerow(
                [
                    row["file"],
                    row["source"],
                    row["own_box"],
                    f"{score:.4f}",
                    *(f"{v:.1f}" for v in box),
                    "" if bool(torch.isnan(truth[0])) else f"{iou(box, truth.tolist()):.4f}",
                ]
            )


@torch.no_grad()
def found(
    network: FinderNetwork, images: Tensor, device: torch.device
) -> Iterator[tuple[int, float, list[float]]]:
    """Index, score and box of the most prominent head of each scene."""
    network.eval()
    for start in range(0, len(images), 32):
        seen = normalise(images[start : start + 32].to(device).float() / 255)
        heat, sides = network(seen)
        maps = heat.float().cpu().numpy(), sides.float().cpu().numpy()
        for i, (score, box) in enumerate(peaks(*maps)):
            yield start + i, score, box


def grown(box: Box) -> Box:
    """Return a found box as large as the reader takes it (`decision.toml`)."""
    more = [(box[k + 2] - box[k]) * (rules()["finder"]["grow"] - 1) / 2 for k in (0, 1)]
    return box[0] - more[0], box[1] - more[1], box[2] + more[0], box[3] + more[1]


def found_boxes(places: Sequence[Path], least: float) -> dict[str, Box]:
    """Boxes by scene, of photographs that finders in `places` were not trained on.

    Where a head is claimed and overlaps the labelled one by more than `least` (IoU).
    """
    found = {}
    for place in places:
        for row in rows_of(place / "held_out.csv"):
            sure = float(row["score"]) >= rules()["finder"]["least_score"]
            if row["source"] == "photo" and sure and float(row["iou"] or 0) > least:
                corners = [float(row[k]) for k in ("x0", "y0", "x1", "y1")]
                found[row["file"]] = grown((corners[0], corners[1], corners[2], corners[3]))
    return found


def write_errors(folder: Path, places: Sequence[Path], path: Path) -> int:
    """Write how found boxes lie beside people's own on held-out photographs; returns their number.

    `x` and `y` are the shift of the middle in longer sides of the true box, `scale` the found
    longer side over the true one. Boxes of other heads are left out.
    """
    found = found_boxes(places, SAME_HEAD)
    rows = []
    for scene in rows_of(folder / "scenes.csv"):
        if scene["file"] not in found or not scene["x0"] or scene["own_box"] != "yes":
            continue
        truth = [float(scene[k]) for k in ("x0", "y0", "x1", "y1")]
        box = found[scene["file"]]
        side = max(truth[2] - truth[0], truth[3] - truth[1])
        rows.append(
            {
                "x": round((box[0] + box[2] - truth[0] - truth[2]) / 2 / side, 4),
                "y": round((box[1] + box[3] - truth[1] - truth[3]) / 2 / side, 4),
                "scale": round(max(box[2] - box[0], box[3] - box[1]) / side, 4),
            }
        )
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, ["x", "y", "scale"])
        writer.writeheader()
        writer.writerows(rows)
    return len(rows)
