"""The weights as a browser gets them: as whole steps, each output channel with its own step.

Those of the wide layers are rounded to a share of their channel's usual size: finely in the finder,
whose boxes all else hangs on, less so in the reader. The low and the high bytes lie apart, so that
gzip finds how little is in the high ones. What that costs is measured by
`python -m benchmarks.browser`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from classifier.networks import layers, manner_of
from classifier.norms import Tensors
from classifier.outputs import Array

LEAST = 256  # values; smaller tensors stay as they are
TOP = 32000  # steps to the largest value at most
# Steps to a channel's root mean square. Of the 946 photographs of `train` none gets another pile
# with these, and on 9 a comb's chance differs by more than 0.02 (0.15 at most).
STEPS = {"finder": 600, "reader": 200, "narrow": TOP}
NARROW = 3  # inputs to an output channel; narrow layers are small and have finer steps


@dataclass(frozen=True)
class Pocket:
    """Packed weights: where each tensor lies in `data`, and the bytes."""

    tensors: dict[str, list[dict[str, Any]]]
    """By network, in the order in which its graph expects them one after the other."""
    data: bytes


def stepped(value: Array, steps: int) -> tuple[NDArray[np.int32], Array]:
    """Return a tensor (c, ...) in whole steps (c, n), and the steps (c,) of its channels."""
    flat = value.reshape(len(value), -1).astype(np.float64)
    usual, most = np.sqrt((flat**2).mean(1)), np.abs(flat).max(1)
    step = np.maximum(np.maximum(usual / steps, most / TOP), 1e-20).astype(np.float32)
    return np.rint(flat / step[:, None]).astype(np.int32), step


def pack(tensors: Tensors) -> Pocket:
    """Pack the weights of both networks, and the novelty's axes."""
    floats: list[bytes] = []
    whole: list[NDArray[np.uint16]] = []
    found: dict[str, list[dict[str, Any]]] = {}
    at_floats = at_whole = 0
    for network, values in (
        ("finder", layers(tensors, "finder")),
        ("reader", layers(tensors, "reader")),
        ("novelty", dict(sorted(manner_of(tensors).items()))),
    ):
        found[network] = []
        for name, value in values.items():
            entry: dict[str, Any] = {"name": name, "shape": list(value.shape)}
            entry["count"] = value.size
            numbers = value
            if value.ndim > 1 and value.size >= LEAST:
                narrow = value.ndim == 2 or value.shape[1] <= NARROW
                steps, numbers = stepped(value, STEPS["narrow" if narrow else network])
                whole.append((steps.ravel() + 32768).astype(np.uint16))
                entry |= {"at": at_whole, "scales": at_floats}
                at_whole += value.size
            else:
                entry["at"] = at_floats
            floats.append(np.ascontiguousarray(numbers, "<f4").tobytes())
            at_floats += len(floats[-1])
            found[network].append(entry)
    for entry in (e for entries in found.values() for e in entries if "scales" in e):
        entry["at"] += at_floats
        entry["high"] = entry["at"] + at_whole
    every = np.concatenate(whole)
    low, high = (every & 255).astype(np.uint8), (every >> 8).astype(np.uint8)
    return Pocket(found, b"".join((*floats, low.tobytes(), high.tobytes())))


def unpack(pocket: Pocket, network: str) -> dict[str, Array]:
    """Return a network's weights as a browser makes them of `pack`'s bytes."""
    found = {}
    for entry in pocket.tensors[network]:
        shape, at, count = tuple(entry["shape"]), entry["at"], entry["count"]
        assert count == prod(shape)
        if "scales" in entry:
            low = np.frombuffer(pocket.data, np.uint8, count, at).astype(np.int32)
            high = np.frombuffer(pocket.data, np.uint8, count, entry["high"]).astype(np.int32)
            scales = np.frombuffer(pocket.data, "<f4", shape[0], entry["scales"])
            steps = ((high << 8) + low - 32768).reshape(shape[0], -1)
            value = steps.astype(np.float32) * scales[:, None]
        else:
            value = np.frombuffer(pocket.data, "<f4", count, at)
        found[entry["name"]] = value.reshape(shape).astype(np.float32)
    return found
