"""Boxes of heads."""

from __future__ import annotations


def iou(a: list[float], b: list[float]) -> float:
    """Intersection over union of two boxes."""
    wide = max(0.0, min(a[2], b[2]) - max(a[0], b[0]))
    high = max(0.0, min(a[3], b[3]) - max(a[1], b[1]))
    both = wide * high
    total = (a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - both
    return both / total if total > 0 else 0.0
