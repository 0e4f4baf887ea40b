"""Batch norms folded into the convolutions before them, on the arrays of a weights file.

For use, not for training: what the network gives stays the same but for rounding.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from classifier.outputs import Array

Tensors = Mapping[str, NDArray[Any]]  # float16 or float32
# Of the backbone as in TensorFlow, of our own layers as PyTorch has it.
BACKBONE_EPSILON, EPSILON = 1e-3, 1e-5


def norm_after(convolution: str, names: Mapping[str, object]) -> str:
    """Name of the batch norm behind a convolution, or nothing.

    >>> norm_after("backbone.blocks.1.0.conv_dw", {"backbone.blocks.1.0.conv_pwl.weight": 0})
    'backbone.blocks.1.0.bn2'
    >>> norm_after("draw.1", {"draw.2.running_mean": 0})
    'draw.2'
    """
    above, _, last = convolution.rpartition(".")
    narrows = f"{above}.conv_pwl.weight" in names
    after = {
        "conv_stem": "bn1",
        "conv_head": "bn2",
        "conv_dw": "bn2" if narrows else "bn1",
        "conv_pw": "bn1" if narrows else "bn2",
        "conv_pwl": "bn3",
    }.get(last)
    if after:
        return f"{above}.{after}"
    behind = f"{above}.{int(last) + 1}" if last.isdigit() else ""
    return behind if f"{behind}.running_mean" in names else ""


def folded(tensors: Tensors) -> dict[str, Array]:
    """Return weights of one network (float32) without batch norms, by the names of its layers."""
    found: dict[str, Array] = {}
    norms: set[str] = set()
    for name, value in tensors.items():
        layer, _, kind = name.rpartition(".")
        norm = norm_after(layer, tensors) if kind == "weight" and value.ndim == 4 else ""
        if not norm:
            continue
        norms.add(norm)
        mean, variance, gain, shift = (
            tensors[f"{norm}.{part}"].astype(np.float64)
            for part in ("running_mean", "running_var", "weight", "bias")
        )
        epsilon = BACKBONE_EPSILON if ".bn" in norm else EPSILON
        scale = gain / np.sqrt(variance + epsilon)
        weight = value.astype(np.float64) * scale[:, None, None, None]
        found[name] = weight.astype(np.float32)
        found[f"{layer}.bias"] = (shift - mean * scale).astype(np.float32)
    for name, value in tensors.items():
        if name not in found and name.rpartition(".")[0] not in norms:
            found[name] = value.astype(np.float32)
    return found
