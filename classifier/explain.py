"""Why a head was read as it was: where the evidence lies, and which labelled heads look alike.

The evidence map is Grad-CAM (Selvaraju et al. 2017) on the network's last map, by Captum. The
labelled heads are a small gallery of rendered ones, compared by the network's own features.
"""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from safetensors.numpy import load

from classifier.boxes import Box
from classifier.errors import ClassifierError
from classifier.photo import Photo, head_view
from classifier.reader import Reader
from classifier.reading import Reading
from classifier.vocabulary import COMBS, SPOKEN

if TYPE_CHECKING:
    from classifier.torch_networks import TorchNetworks

Array = NDArray[np.float64]
TILE, STEP = 96, 12
WARM = (232, 112, 10)


@dataclass(frozen=True)
class Alike:
    """A labelled head of the gallery and how alike it is: cosine of the features."""

    comb: str
    likeness: float
    image: Image.Image


def can_explain() -> bool:
    """Whether PyTorch and Captum are installed, which evidence maps need."""
    return all(importlib.util.find_spec(name) is not None for name in ("torch", "captum"))


def evidence_map(reader: Reader, photo: Photo, box: Box, comb: str) -> Array:
    """Return what speaks for a comb, by place (size, size), 0 to 1 over the view of the head.

    Raises ClassifierError without PyTorch.
    """
    if not can_explain():
        raise ClassifierError("needs_torch")
    import torch
    from captum.attr import LayerGradCam

    networks = torch_networks(reader)
    view = head_view(photo, box, reader.card.context, reader.card.size)
    batch = torch.from_numpy(reader.batch([view]))

    def logits(images: torch.Tensor) -> torch.Tensor:
        found: torch.Tensor = networks.reader(images)["comb"]
        return found

    with networks.lock, torch.enable_grad():
        cam = LayerGradCam(logits, networks.reader.backbone.blocks[-1])
        found: Any = cam.attribute(batch, target=COMBS.index(comb), relu_attributions=True)
    # Grad-CAM hooks the network by the wrapped function; captum removes the hooks again.
    small = found[0, 0].detach().double().numpy()
    top = small.max()
    grown = Image.fromarray((small / top if top > 0 else small).astype(np.float32)).resize(
        (reader.card.size, reader.card.size), Image.Resampling.BICUBIC
    )
    return np.clip(np.asarray(grown, float), 0, 1)


@lru_cache(maxsize=1)
def torch_networks(reader: Reader) -> TorchNetworks:
    """Return a reader's networks in PyTorch."""
    from classifier.torch_networks import TorchNetworks

    return TorchNetworks(reader.tensors())


def features_of(reader: Reader, views: list[Image.Image]) -> NDArray[np.float32]:
    """Features (n, k) of head views, of length 1."""
    found = reader.networks.read(reader.batch(views))["pooled"]
    return np.asarray(found / np.linalg.norm(found, axis=1, keepdims=True), np.float32)


@cache
def gallery() -> tuple[dict[str, Any], NDArray[np.float32], Image.Image]:
    """Return the gallery: what it holds, its features (n, k), and its pictures side by side."""
    folder = resources.files(__package__).joinpath("gallery")
    about = json.loads(folder.joinpath("gallery.json").read_text(encoding="utf-8"))
    features = load(folder.joinpath("features.safetensors").read_bytes())["features"]
    with folder.joinpath("heads.webp").open("rb") as file:
        sheet = Image.open(file).convert("RGB")
    return about, features.astype(np.float32), sheet


def nearest(reader: Reader, photo: Photo, box: Box, most: int = 3) -> list[Alike]:
    """Labelled heads that look most like this one; none if the gallery is of other weights."""
    about, features, sheet = gallery()
    if about["weights"] != reader.card.document["weights"]["sha256"]:
        return []
    view = head_view(photo, box, reader.card.context, reader.card.size)
    likeness = features @ features_of(reader, [view])[0]
    found = []
    for i in np.argsort(-likeness, kind="stable")[:most].tolist():
        x, y = i % STEP * TILE, i // STEP * TILE
        tile = sheet.crop((x, y, x + TILE, y + TILE))
        found.append(Alike(about["combs"][i], float(likeness[i]), tile))
    return found


@dataclass(frozen=True)
class PanelWords:
    """What is written below the pictures of a panel."""

    outlined: str = "comb outlined"
    speaks: str = "what speaks for it"
    alike: str = "looks most like these renders"
    combs: Mapping[str, str] = field(default_factory=lambda: SPOKEN)


def panel(
    reader: Reader,
    photo: Photo,
    reading: Reading,
    side: int = 240,
    words: PanelWords | None = None,
) -> Image.Image:
    """One picture: the head with its comb outlined, the evidence map, the heads most alike.

    Without PyTorch there is no evidence map.
    """
    said = words or PanelWords()
    view = head_view(photo, reading.head.box, reader.card.context, side)
    alike = nearest(reader, photo, reading.head.box)
    heads = 2 if can_explain() else 1
    size = (side * heads + (side // 2 + 60) * bool(alike), side + 22)
    canvas = Image.new("RGB", size, "white")
    pen = ImageDraw.Draw(canvas)
    outlined = view.copy()
    brush = ImageDraw.Draw(outlined)
    x0, y0, x1, y1 = reading.head.box
    span = max(x1 - x0, y1 - y0) * reader.card.context
    left, top = (x0 + x1) / 2 - span / 2, (y0 + y1) / 2 - span / 2
    for ring in reading.outline:
        points = [((x - left) / span * side, (y - top) / span * side) for x, y in ring]
        brush.line(points, fill="black", width=4)
        brush.line(points, fill="white", width=2)
    canvas.paste(outlined, (0, 0))
    pen.text((4, side + 5), said.outlined, fill="black")
    if can_explain():
        heat = evidence_map(reader, photo, reading.head.box, reading.best)
        weight = Image.fromarray((heat * 170).astype(np.uint8)).resize((side, side))
        canvas.paste(Image.composite(Image.new("RGB", view.size, WARM), view, weight), (side, 0))
        pen.text((side + 4, side + 5), said.speaks, fill="black")
    for i, other in enumerate(alike):
        small = side // 3
        canvas.paste(other.image.resize((small, small)), (side * heads + 6, i * small))
        name = said.combs[other.comb].replace("-", "-\n").replace(" ", "\n")
        pen.multiline_text((side * heads + small + 12, i * small + 18), name, fill="black")
    if alike:
        pen.text((side * heads + 6, side + 5), said.alike, fill="black")
    return canvas
