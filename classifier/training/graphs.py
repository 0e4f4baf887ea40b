"""Write the networks' graphs without weights, as ONNX Runtime takes them, and check them.

    python -m classifier.training.graphs [--weights DIR]

Needed when a layer or the size of a picture changes, not for new weights.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn

from classifier import networks
from classifier.card import SHIPPED, load_card
from classifier.network import FinderNetwork, ReaderNetwork, fold_norms
from classifier.networks import OnnxNetworks, graph_name, kept_tensors
from classifier.outputs import GIVEN
from classifier.torch_networks import TorchNetworks

FOLDER = Path(networks.__file__).parent / "graphs"
# Largest difference of a logit that rounding in another order of sums may make.
CLOSE = 2e-3


class Listed(nn.Module):
    """A network that gives its outputs in their order rather than by name."""

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network

    def forward(self, images: Tensor) -> tuple[Tensor, ...]:
        """Images (n, 3, s, s) to all that the network gives."""
        found = self.network(images)
        return tuple(found.values()) if isinstance(found, dict) else found


def graph(network: nn.Module, size: int, outputs: tuple[str, ...]) -> bytes:
    """Return a network's graph, its weights left out and named as its layers are."""
    from onnx.external_data_helper import set_external_data

    network.eval()
    torch.manual_seed(0)
    for value in network.state_dict().values():
        if value.is_floating_point():  # no two alike, which would be taken for one
            value.uniform_(0.5, 1.5)
    fold_norms(network)
    program: Any = torch.onnx.export(
        Listed(network),
        (torch.zeros(2, 3, size, size),),
        input_names=["images"],
        output_names=list(outputs),
        dynamic_shapes=({0: torch.export.Dim("pictures")},),
        dynamo=True,
        verbose=False,
    )
    model = program.model_proto
    names = {f"network.{name}" for name in network.state_dict()}
    renamed = {name: name.removeprefix("network.") for name in names}
    mine = {renamed[t.name]: t for t in model.graph.initializer if t.name in names}
    at = 0
    for name in sorted(mine):  # as `classifier.pocket_weights` lets them follow each other
        tensor = mine[name]
        length = 4 * math.prod(tensor.dims)
        tensor.raw_data = b""
        set_external_data(tensor, location="weights", offset=at, length=length)
        tensor.ClearField("raw_data")
        tensor.name = name
        at += length
    for node in model.graph.node:
        node.doc_string = ""
        node.ClearField("metadata_props")
        node.input[:] = [renamed.get(name, name) for name in node.input]
    del model.graph.value_info[:]
    model.graph.ClearField("metadata_props")
    model.ClearField("metadata_props")
    return bytes(model.SerializeToString(deterministic=True))


def differences(weights: Path) -> dict[str, float]:
    """Largest difference of each output between both ways, on pictures of noise."""
    card = load_card(weights)
    tensors = kept_tensors(weights, card)
    fast, slow = OnnxNetworks(tensors, card), TorchNetworks(tensors)
    rng = np.random.default_rng(0)
    scenes = rng.normal(size=(2, 3, card.finder_size, card.finder_size)).astype(np.float32)
    views = rng.normal(size=(4, 3, card.size, card.size)).astype(np.float32)
    found = dict(
        zip(("heat", "sides"), zip(fast.find(scenes), slow.find(scenes), strict=True), strict=True)
    )
    one, other = fast.read(views), slow.read(views)
    found |= {name: (one[name], other[name]) for name in GIVEN}
    return {name: float(np.abs(a - b).max()) for name, (a, b) in found.items()}


def main() -> None:
    """Write both graphs and hold them against PyTorch."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--weights", type=Path, default=SHIPPED)
    args = parser.parse_args()
    card = load_card(args.weights)
    FOLDER.mkdir(exist_ok=True)
    for name, network, size, outputs in (
        ("finder", FinderNetwork(), card.finder_size, ("heat", "sides")),
        ("reader", ReaderNetwork(), card.size, GIVEN),
    ):
        (FOLDER / graph_name(name, size)).write_bytes(graph(network, size, outputs))
    for name, value in differences(args.weights).items():
        print(f"{name}: {value:.1e}")
        if value > CLOSE:
            raise SystemExit(f"{name} differs by {value}")


if __name__ == "__main__":
    main()
