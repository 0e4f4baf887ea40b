"""Whether a head crop is good enough to be read at all."""

from __future__ import annotations

import tomllib
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


def complaints(crop: Image.Image, shorter_side: float) -> list[Doubt]:
    """Reasons to take another photo; empty if there are none.

    `crop` is the head box cut from the photo, without padding; `shorter_side` that of the box in
    pixels of the full photo.
    """
    limits = rules()["quality"]
    reasons = []
    if shorter_side < limits["least_pixels"]:
        reasons.append(Doubt("too_small", pixels=shorter_side, least=limits["least_pixels"]))
    elif sharpness(crop, shorter_side) < limits["least_sharpness"]:
        reasons.append(Doubt("blurred"))
    low, high = brightness(crop)
    if high < limits["least_bright"]:
        reasons.append(Doubt("too_dark"))
    if low > limits["most_bright"]:
        reasons.append(Doubt("overexposed"))
    return reasons
