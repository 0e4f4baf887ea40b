"""Boxes of heads: (x0, y0, x1, y1) in pixels of the upright photo."""

from __future__ import annotations

import numpy as np
from PIL import Image

Box = tuple[float, float, float, float]


def iou(a: list[float], b: list[float]) -> float:
    """Intersection over union of two boxes."""
    wide = max(0.0, min(a[2], b[2]) - max(a[0], b[0]))
    high = max(0.0, min(a[3], b[3]) - max(a[1], b[1]))
    both = wide * high
    total = (a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - both
    return both / total if total > 0 else 0.0


def shorter(box: Box) -> float:
    """Return the shorter side of a box."""
    return min(box[2] - box[0], box[3] - box[1])


def square_crop(picture: Image.Image, box: Box, context: float, size: int) -> Image.Image:
    """Return a square round `box`, `context` times its longer side, as `size` x `size`.

    What lies outside the picture is grey.
    """
    x0, y0, x1, y1 = box
    half = max(x1 - x0, y1 - y0, 2.0) * context / 2
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    corners = (middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half)
    left, top = int(np.floor(corners[0])), int(np.floor(corners[1]))
    side = max(2, round(2 * half))
    canvas = Image.new("RGB", (side, side), (124, 116, 104))
    inside = (
        max(left, 0),
        max(top, 0),
        min(left + side, picture.width),
        min(top + side, picture.height),
    )
    if inside[0] < inside[2] and inside[1] < inside[3]:
        canvas.paste(picture.crop(inside), (inside[0] - left, inside[1] - top))
    way = Image.Resampling.BICUBIC if side < size else Image.Resampling.BOX
    return canvas.resize((size, size), way)


def crosses(box: Box, window: Box) -> bool:
    """Whether a window reaches into a box."""
    wide = min(box[2], window[2]) - max(box[0], window[0])
    tall = min(box[3], window[3]) - max(box[1], window[1])
    return wide > 0 and tall > 0
