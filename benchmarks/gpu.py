"""Photographs read on one GPU: how many a second, and where the time goes.

    python -m benchmarks.gpu --photos demo_images [--count 2000] [--workers 1 4 8]

Every photo of the folder is brought to the size of a phone's and written as JPEG, so that decoding
costs what it costs; the same are read over and over. Threads decode ahead of the GPU, as a worker
of `combwright read --engine ray --gpus 1` does; several workers share GPU and cores. Prints photos
a second from file to reading, and the shares of the workers' time: waiting for decoded photos,
copying, passes through the networks, and the rest (pictures made ready, readings judged). Then
decoding alone on all cores, and the passes alone.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import statistics
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from multiprocessing.synchronize import Barrier
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image

from classifier.card import SHIPPED, load_card
from classifier.networks import kept_tensors
from classifier.outputs import Array
from classifier.photo import Photo, open_photo
from classifier.reader import Reader
from classifier.torch_networks import TorchNetworks

TOGETHER = 64


class Clock:
    """Seconds by kind of work; one kind at a time counts."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)

    @contextmanager
    def of(self, kind: str) -> Iterator[None]:
        """Count the time within as of a kind, once the GPU has done it."""
        start = time.perf_counter()
        yield
        if torch.cuda.is_available():
            torch.cuda.synchronize()
        self.seconds[kind] += time.perf_counter() - start


class TimedNetworks(TorchNetworks):
    """The networks, with copying and passes timed apart."""

    clock = Clock()

    @torch.inference_mode()
    def find(self, batch: Array) -> tuple[Array, Array]:
        """Heat and sides of pictures."""
        with self.clock.of("copying"):
            there = torch.from_numpy(batch).to(self.device)
        with self.clock.of("passes"):
            heat, sides = self.finder(there)
        with self.clock.of("copying"):
            return heat.cpu().numpy(), sides.cpu().numpy()

    @torch.inference_mode()
    def read(self, batch: Array) -> dict[str, Array]:
        """Return what the reader gives for head views."""
        with self.clock.of("copying"):
            there = torch.from_numpy(batch).to(self.device)
        with self.clock.of("passes"):
            found = self.reader(there)
        with self.clock.of("copying"):
            return {name: value.cpu().numpy() for name, value in found.items()}


def enlarged(folder: Path, out: Path, megapixels: float) -> list[Path]:
    """Write the photos of a folder as JPEG of so many pixels; returns the files."""
    files = []
    for path in sorted(folder.glob("*.jpg")):
        with Image.open(path) as picture:
            image = picture.convert("RGB")
        share = (megapixels * 1e6 / (image.width * image.height)) ** 0.5
        size = (round(image.width * share), round(image.height * share))
        files.append(out / path.name)
        image.resize(size, Image.Resampling.BICUBIC).save(files[-1], quality=90)
    return files


def run(files: list[Path], reader: Reader, cores: int) -> tuple[float, dict[str, float]]:
    """Photos a second from file to reading, and seconds by kind."""
    clock = TimedNetworks.clock = Clock()
    lots = [files[i : i + TOGETHER] for i in range(0, len(files), TOGETHER)]
    start = time.perf_counter()
    with ThreadPoolExecutor(cores) as decoders:
        ahead: list[Iterator[Photo]] = []
        for number in range(len(lots) + 2):
            if number < len(lots):
                ahead.append(decoders.map(open_photo, lots[number]))
            if number >= 2:
                with clock.of("waiting for decoded photos"):
                    photos = list(ahead.pop(0))
                reader.read(photos)
    took = time.perf_counter() - start
    rest = took - sum(clock.seconds.values())
    return len(files) / took, {**clock.seconds, "made ready and judged": rest}


def work(
    number: int, workers: int, files: list[Path], cores: int, start: Barrier, told: Any
) -> None:
    """Be one of several workers: read a share of the files once all are ready."""
    reader = ready_reader(files)
    mine = files[number::workers]
    start.wait()
    told.put(run(mine, reader, max(1, cores // workers)))


def ready_reader(files: list[Path]) -> Reader:
    """Return a reader on the GPU that has read before, so that all is set up."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    reader = Reader(networks=TimedNetworks(kept_tensors(SHIPPED, load_card()), device))
    reader.read([open_photo(path) for path in files[:TOGETHER]])
    return reader


def together(workers: int, files: list[Path], cores: int) -> tuple[float, dict[str, float]]:
    """Photos a second of all workers, and their seconds by kind added up."""
    context = multiprocessing.get_context("spawn")
    start, told = context.Barrier(workers + 1), context.SimpleQueue()
    some = [
        context.Process(target=work, args=(i, workers, files, cores, start, told))
        for i in range(workers)
    ]
    for process in some:
        process.start()
    start.wait()
    begun = time.perf_counter()
    total: dict[str, float] = defaultdict(float)
    for _ in some:
        for kind, seconds in told.get()[1].items():
            total[kind] += seconds
    took = time.perf_counter() - begun
    for process in some:
        process.join()
    return len(files) / took, total


def decoded_alone(files: list[Path], cores: int) -> float:
    """Photos a second that threads decode while nothing else is done."""
    start = time.perf_counter()
    with ThreadPoolExecutor(cores) as decoders:
        for _ in decoders.map(open_photo, files):
            pass
    return len(files) / (time.perf_counter() - start)


def passed_alone(reader: Reader, rounds: int = 50) -> float:
    """Photos a second of the passes alone: the finder twice, the reader twice, pictures at hand."""
    networks: Any = reader.networks
    card = reader.card

    def pictures(size: int) -> torch.Tensor:
        made = np.random.default_rng(0).normal(size=(TOGETHER, 3, size, size))
        return torch.from_numpy(made.astype(np.float32)).to(networks.device)

    wide, near = pictures(card.finder_size), pictures(card.size)
    with torch.inference_mode():
        for timed in (False, True):
            start = time.perf_counter()
            for _ in range(rounds if timed else 5):
                for network, batch in ((networks.finder, wide), (networks.reader, near)):
                    network(batch)
                    network(batch)
            if torch.cuda.is_available():
                torch.cuda.synchronize()
    return rounds * TOGETHER / (time.perf_counter() - start)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--megapixels", type=float, default=12)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 4, 8])
    given = parser.parse_args()
    name = torch.cuda.get_device_name() if torch.cuda.is_available() else "the CPU"
    cores = os.cpu_count() or 1
    print(f"networks on {name}, {cores} cores, PyTorch {torch.__version__}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        made = enlarged(given.photos, Path(folder), given.megapixels)
        size = statistics.mean(path.stat().st_size for path in made) / 1e6
        print(f"{len(made)} photos of {given.megapixels:g} megapixels, {size:.1f} MB each")
        files = (made * (given.count // len(made) + 1))[: given.count]
        for workers in given.workers:
            speed, seconds = together(workers, files, cores)
            whole = sum(seconds.values())
            shares = ", ".join(f"{kind} {s / whole:.0%}" for kind, s in seconds.items())
            print(f"{workers} workers: {speed:.0f} photos a second ({shares})", flush=True)
        alone = decoded_alone(files[: given.count // 2], cores)
        print(f"decoding alone, {cores} threads: {alone:.0f} a second")
        passes = passed_alone(ready_reader(files))
        print(f"passes alone, {TOGETHER} at a time: {passes:.0f} photos a second")


if __name__ == "__main__":
    main()
