"""Reading photos beside the plain way to do it, in one run on the same photos.

    python benchmarks/reading.py [--photos 200]

Makes 12-megapixel JPEGs from the demo heads and reads them three ways: as the product does; the
plain way (full decode, torchvision's transforms, one picture at a time through both networks); and
the least that ours could take (decoding at reduced scale, plus both networks on batches that lie
ready). Prints the two ratios, the product's peak memory, and the start-up time of the command line.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import torch
from PIL import Image, ImageOps
from torchvision import transforms

from classifier.boxes import square_crop
from classifier.network import peaks
from classifier.photo import open_photo
from classifier.reader import BATCH, Reader
from service.flock.batch import read_all

DEMO = Path(__file__).parent.parent / "demo_images"
SIDE = (4000, 3000)


def make_photos(folder: Path, count: int) -> list[Path]:
    """`count` JPEGs of 12 megapixels, demo heads on ground, with the noise of a camera."""
    rng = np.random.default_rng(0)
    grain = rng.normal(0, 9, (SIDE[1], SIDE[0], 1))
    heads = sorted(DEMO.glob("*.jpg"))
    paths = []
    for i in range(count):
        with Image.open(heads[i % len(heads)]) as raw:
            head = raw.convert("RGB").resize((3000, 3000), Image.Resampling.BICUBIC)
        photo = Image.new("RGB", SIDE, (96, 110, 84))
        photo.paste(head, (500, 0))
        paths.append(folder / f"{i:03d}.jpg")
        noisy = np.clip(np.asarray(photo, np.float32) + grain, 0, 255).astype(np.uint8)
        Image.fromarray(noisy).save(paths[-1], quality=88)
    return paths


@torch.no_grad()
def plain(reader: Reader, paths: list[Path]) -> float:
    """Seconds of the plain way."""
    size, card = reader.card.finder_size, reader.card
    to_tensor = transforms.Compose(
        [transforms.ToTensor(), transforms.Normalize([card.mean] * 3, [card.std] * 3)]
    )
    start = time.perf_counter()
    for path in paths:
        with Image.open(path) as raw:
            photo = ImageOps.exif_transpose(raw).convert("RGB")
        scale = size / max(photo.size)
        small = transforms.Resize((round(photo.height * scale), round(photo.width * scale)))(photo)
        canvas = Image.new("RGB", (size, size), (115, 115, 115))
        canvas.paste(small, (0, 0))
        ((_, box),) = peaks(*reader.finder(to_tensor(canvas)[None]))
        corners = (box[0] / scale, box[1] / scale, box[2] / scale, box[3] / scale)
        crop = to_tensor(square_crop(photo, corners, card.context, card.size))[None]
        reader.network(crop)
        reader.network(crop.flip(3))
    return time.perf_counter() - start


@torch.inference_mode()
def least(reader: Reader, paths: list[Path]) -> float:
    """Seconds of decoding at reduced scale, and of the networks on ready batches."""
    start = time.perf_counter()
    for path in paths:
        open_photo(path)
    decoding = time.perf_counter() - start
    card = reader.card
    scenes = torch.zeros(BATCH, 3, card.finder_size, card.finder_size)
    crops = torch.zeros(BATCH, 3, card.size, card.size)
    scenes, crops = (b.to(memory_format=torch.channels_last) for b in (scenes, crops))
    start = time.perf_counter()
    for _ in range(-(-len(paths) // BATCH)):
        reader.finder(scenes)
        reader.network(crops)
        reader.network(crops.flip(3))
    return decoding + time.perf_counter() - start


def start_up() -> float:
    """Median seconds of `combwright --help`."""
    times = []
    for _ in range(5):
        start = time.perf_counter()
        command = [sys.executable, "-m", "service.cli", "--help"]
        subprocess.run(command, capture_output=True, check=True)
        times.append(time.perf_counter() - start)
    return sorted(times)[2]


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=200)
    count = parser.parse_args().photos
    print(f"combwright --help: {start_up():.2f} s")
    with tempfile.TemporaryDirectory() as folder:
        # In a process of its own, so that its memory isn't taken for the reader's.
        with multiprocessing.get_context("spawn").Pool(1) as pool:
            paths = pool.apply(make_photos, (Path(folder), count))
        reader = Reader()
        read_all(paths[:BATCH], reader.read, {})
        start = time.perf_counter()
        readings, _ = read_all(paths, reader.read, {})
        ours = time.perf_counter() - start
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        floor, slow = least(reader, paths), plain(reader, paths)
    print(f"{len(readings)} photos of 12 megapixels: {ours:.1f} s, {count / ours:.1f} a second")
    print(f"the plain way: {slow:.1f} s, {slow / ours:.2f} times ours")
    print(f"reduced decoding and bare networks: {floor:.1f} s, ours {ours / floor:.2f} times that")
    print(f"peak memory while reading: {peak:.2f} GiB")


if __name__ == "__main__":
    main()
