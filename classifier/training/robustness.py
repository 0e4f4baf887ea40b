"""Whether a settled reading stands when the same photo comes mirrored, turned, darker, smaller."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from PIL import Image, ImageOps

from classifier.boxes import Box
from classifier.photo import decode
from classifier.reader import Reader
from classifier.reading import Reading
from classifier.training.datasets import Sample

Change = Callable[[Image.Image, Box], tuple[Image.Image, Box, dict[str, Any]]]
ORIENTATION = 0x0112


def mirrored(image: Image.Image, box: Box) -> tuple[Image.Image, Box, dict[str, Any]]:
    """Left and right exchanged."""
    return ImageOps.mirror(image), (image.width - box[2], box[1], image.width - box[0], box[3]), {}


def turned(image: Image.Image, box: Box) -> tuple[Image.Image, Box, dict[str, Any]]:
    """Return stored on its side, with the EXIF orientation that turns it upright.

    So the box stays.
    """
    exif = Image.Exif()
    exif[ORIENTATION] = 6  # the camera was turned: show it a quarter turn clockwise
    return image.transpose(Image.Transpose.ROTATE_90), box, {"exif": exif}


def exposed(stops: float) -> Change:
    """Brighter or darker by some stops, in linear light."""

    def change(image: Image.Image, box: Box) -> tuple[Image.Image, Box, dict[str, Any]]:
        light = (np.asarray(image, float) / 255) ** 2.2 * 2**stops
        pixels = (np.clip(light, 0, 1) ** (1 / 2.2) * 255).round().astype(np.uint8)
        return Image.fromarray(pixels), box, {}

    return change


def recompressed(image: Image.Image, box: Box) -> tuple[Image.Image, Box, dict[str, Any]]:
    """Return saved as JPEG of quality 60."""
    return image, box, {"quality": 60}


def halved(image: Image.Image, box: Box) -> tuple[Image.Image, Box, dict[str, Any]]:
    """At half the size."""
    small = image.resize((image.width // 2, image.height // 2), Image.Resampling.LANCZOS)
    return small, (box[0] / 2, box[1] / 2, box[2] / 2, box[3] / 2), {}


CHANGES: dict[str, Change] = {
    "mirrored": mirrored,
    "turned a quarter, with EXIF": turned,
    "half a stop brighter": exposed(0.5),
    "half a stop darker": exposed(-0.5),
    "recompressed at quality 60": recompressed,
    "half the size": halved,
}


def robustness(
    reader: Reader, samples: Sequence[Sample], readings: Sequence[Reading], tick: Any
) -> dict[str, list[int]]:
    """By change, how many settled readings keep their comb, and how many there are."""
    found = {}
    for name, change in CHANGES.items():
        same = total = 0
        for sample, reading in zip(samples, readings, strict=True):
            tick(1)
            if reading.pile != "settled" or sample.box is None:
                continue
            with Image.open(sample.path) as raw:
                image, box, how = change(raw.convert("RGB"), sample.box)
            buffer = io.BytesIO()
            image.save(buffer, "JPEG", **({"quality": 95} | how))
            buffer.seek(0)
            photo = decode(sample.path.name, Image.open(buffer))
            again = reader.read([photo], [box])[0]
            same += again.best == reading.best
            total += 1
        found[name] = [same, total]
    return found
