"""Whether a head crop is good enough to be read at all."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
from PIL import Image
from scipy import ndimage

from classifier.messages import Doubt


@cache
def rules() -> dict[str, Any]:
    """Return the thresholds and costs of `decision.toml`."""
    text = resources.files(__package__).joinpath("decision.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def sharpness(crop: Image.Image, native: float) -> float:
    """Share of the crop's contrast that lies in fine detail; falls with blur.

    The crop is first brought to 112 pixels (or fewer, if the head has fewer `native` ones), so
    that the number compares heads of all sizes: mean square of the Laplacian over the variance.
    """
    side = int(np.clip(native, 32, 112))
    grey = np.asarray(crop.convert("L").resize((side, side), Image.Resampling.BOX), float)
    variance = grey.var()
    return float((ndimage.laplace(grey) ** 2).mean() / max(variance, 1.0))


def brightness(crop: Image.Image) -> tuple[float, float]:
    """Tenth and ninetieth percentile of luminance, 0..255, over a grid of some 200 x 200 pixels."""
    step = max(1, min(crop.size) // 200)
    grid = np.asarray(crop.convert("L"))[::step, ::step]
    low, high = np.percentile(grid.astype(np.float32), [10, 90])
    return float(low), float(high)


@dataclass(frozen=True)
class Quality:
    """What is measured of a head: its shorter side in pixels of the full photo, and the rest."""

    pixels: float
    sharpness: float
    dim: float
    """Tenth percentile of luminance, 0..255; `bright` is the ninetieth."""
    bright: float


def measured(crop: Image.Image, shorter_side: float) -> Quality:
    """Measure a head box cut from a photo, without padding; `shorter_side` is that of the box in
    pixels of the full photo.
    """
    return Quality(shorter_side, sharpness(crop, shorter_side), *brightness(crop))


def complaints(quality: Quality) -> list[Doubt]:
    """Reasons to take another photo; empty if there are none."""
    limits = rules()["quality"]
    reasons = []
    if quality.pixels < limits["least_pixels"]:
        reasons.append(Doubt("too_small", pixels=quality.pixels, least=limits["least_pixels"]))
    elif quality.sharpness < limits["least_sharpness"]:
        reasons.append(Doubt("blurred"))
    if quality.bright < limits["least_bright"]:
        reasons.append(Doubt("too_dark"))
    if quality.dim > limits["most_bright"]:
        reasons.append(Doubt("overexposed"))
    return reasons
