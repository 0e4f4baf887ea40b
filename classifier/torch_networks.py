"""The two networks in PyTorch: for training, for explaining, and to hold the others against."""

from __future__ import annotations

import os
import threading

import torch

from classifier.network import FinderNetwork, ReaderNetwork, fold_norms
from classifier.networks import part_of
from classifier.norms import Tensors
from classifier.outputs import Array


class TorchNetworks:
    """Both networks by PyTorch, on the CPU or another device of PyTorch's."""

    def __init__(self, tensors: Tensors, device: str = "cpu") -> None:
        """Raise RuntimeError for a device that isn't there."""
        self.device = torch.device(device)
        self.wide = self.device.type != "cpu"
        torch.set_num_threads(max(1, min(4, os.cpu_count() or 1)))
        self.finder, self.reader = FinderNetwork(), ReaderNetwork()
        # One thread at a time: explaining a reading hangs hooks into the network for a moment.
        self.lock = threading.RLock()
        for name, network in (("finder", self.finder), ("reader", self.reader)):
            mine = part_of(tensors, name).items()
            network.load_state_dict({k: torch.tensor(v).float() for k, v in mine}, strict=False)
            network.eval()
            fold_norms(network)
            network.to(self.device).to(memory_format=torch.channels_last)

    @torch.inference_mode()
    def find(self, batch: Array) -> tuple[Array, Array]:
        """Heat logits (n, s/8, s/8) and sides (n, 4, s/8, s/8) of pictures."""
        with self.lock:
            heat, sides = self.finder(torch.from_numpy(batch).to(self.device))
        return heat.cpu().numpy(), sides.cpu().numpy()

    @torch.inference_mode()
    def read(self, batch: Array) -> dict[str, Array]:
        """Return logits by head, masks and pooled features of head views, by their names."""
        with self.lock:
            found = self.reader(torch.from_numpy(batch).to(self.device))
        return {name: value.cpu().numpy() for name, value in found.items()}
