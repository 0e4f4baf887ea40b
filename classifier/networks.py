"""The two networks in use, by ONNX Runtime: graphs without weights, and the weights beside them.

The graphs (`classifier/graphs/`) are written by `python -m classifier.training.graphs` and hold the
layers alone; the weights are those of the safetensors file, which training writes and PyTorch reads
as well.
"""

from __future__ import annotations

import os
from importlib import resources
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from safetensors.numpy import load_file

from classifier.card import WEIGHTS, Card, CardError, fingerprint
from classifier.norms import Tensors, folded
from classifier.novelty import PREFIX
from classifier.outputs import GIVEN, Array

# Of the cores, half: the others decode the next photos meanwhile. On two cores 100 photos of 12
# megapixels take 4.3 s with one thread and 5.0 with two.
MOST_THREADS = 4


class Networks(Protocol):
    """What finds heads and reads them; batches are normalised pictures (n, 3, s, s)."""

    wide: bool
    """Whether it is quicker with many pictures at a time."""

    def find(self, batch: Array) -> tuple[Array, Array]:
        """Heat logits (n, s/8, s/8) and sides (n, 4, s/8, s/8) of pictures."""
        ...

    def read(self, batch: Array) -> dict[str, Array]:
        """Return logits by head, masks and pooled features of head views, by their names."""
        ...


def kept_tensors(folder: Path, card: Card) -> dict[str, NDArray[Any]]:
    """Return the weights that belong to a card. Raises CardError."""
    path = folder / WEIGHTS
    if not path.exists():
        raise CardError("weights_missing", place=path)
    if fingerprint(path) != card.document["weights"]["sha256"]:
        raise CardError("weights_of_another_card", place=path)
    tensors: dict[str, NDArray[Any]] = load_file(path)
    return tensors


def part_of(tensors: Tensors, name: str) -> dict[str, NDArray[Any]]:
    """Return the tensors of `finder` or `reader`, without that word before their names."""
    return {k.split(".", 1)[1]: v for k, v in tensors.items() if k.startswith(name + ".")}


def layers(tensors: Tensors, network: str) -> dict[str, Array]:
    """Return the folded weights that a network's graph asks for, by name in alphabetical order."""
    mine = folded(part_of(tensors, network))
    return {k: mine[k] for k in sorted(mine) if not k.startswith(PREFIX) and "num_batches" not in k}


def manner_of(tensors: Tensors) -> dict[str, NDArray[Any]]:
    """Return what tells how unlike a head is to those of the training, see `novelty`."""
    return {k: v for k, v in part_of(tensors, "reader").items() if k.startswith(PREFIX)}


def graph_name(network: str, size: int) -> str:
    """File name of a network's graph for pictures of `size` x `size`."""
    return f"{network}-{size}.onnx"


def graph_of(network: str, size: int) -> bytes:
    """Return a network's graph. Raises CardError if there is none for pictures of that size."""
    place = resources.files(__package__).joinpath("graphs", graph_name(network, size))
    try:
        return place.read_bytes()
    except FileNotFoundError:
        raise CardError("no_graph", network=network, size=size) from None


class OnnxNetworks:
    """Both networks by ONNX Runtime on the CPU."""

    wide = False

    def __init__(self, tensors: Tensors, card: Card, threads: int = 0) -> None:
        """Raise CardError if the weights aren't those of the graphs.

        0 threads: as many as half of the cores, up to four.
        """
        self.threads = threads or max(1, min(MOST_THREADS, (os.cpu_count() or 1) // 2))
        self.finder = self._session("finder", card.finder_size, tensors)
        self.reader = self._session("reader", card.size, tensors)

    def _session(self, name: str, size: int, tensors: Tensors) -> Any:
        import onnxruntime
        from onnxruntime.capi import onnxruntime_pybind11_state as state

        mine = layers(tensors, name)
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = self.threads
        options.log_severity_level = 3
        values = [
            onnxruntime.OrtValue.ortvalue_from_numpy(np.ascontiguousarray(value))
            for value in mine.values()
        ]
        options.add_external_initializers(list(mine), values)
        try:
            return onnxruntime.InferenceSession(
                graph_of(name, size), options, providers=["CPUExecutionProvider"]
            )
        except (state.Fail, state.InvalidGraph, state.InvalidArgument) as error:
            raise CardError("weights_lack_tensors", place=name, reason=str(error)[:200]) from None

    def find(self, batch: Array) -> tuple[Array, Array]:
        """Heat logits (n, s/8, s/8) and sides (n, 4, s/8, s/8) of pictures."""
        heat, sides = self.finder.run(None, {"images": batch})
        return heat, sides

    def read(self, batch: Array) -> dict[str, Array]:
        """Return logits by head, masks and pooled features of head views, by their names."""
        return dict(zip(GIVEN, self.reader.run(None, {"images": batch}), strict=True))
