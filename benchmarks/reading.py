"""Reading photos beside the plain way to do it, in one run on the same photos.

    python benchmarks/reading.py [--photos 200]

Makes 12-megapixel JPEGs from the demo heads and reads them four ways: as the product does; the
same with PyTorch running the networks; the plain way (full decode, torchvision's transforms, one
picture at a time through both networks); and the least that ours could take (decoding at reduced
scale, plus both networks on batches that lie ready). Prints the ratios, and of a command that reads
one photo from a cold start the seconds and the peak memory.
"""

from __future__ import annotations

import argparse
import multiprocessing
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps
from torchvision import transforms

from classifier.boxes import square_crop
from classifier.networks import kept_tensors
from classifier.outputs import peaks
from classifier.photo import open_photo
from classifier.reader import BATCH, Reader
from classifier.torch_networks import TorchNetworks
from service.flock.photo_readings import read_all

DEMO = Path(__file__).parent.parent / "demo_images"
SIDE = (4000, 3000)
# Runs the rest of its words and tells the largest memory of what it ran (KiB on Linux) in MiB.
PEAK = """import resource, subprocess, sys
subprocess.run(sys.argv[1:], check=True, capture_output=True)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024, file=sys.stderr)
"""


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


def plain(reader: Reader, paths: list[Path]) -> float:
    """Seconds of the plain way; `reader` has the networks of PyTorch."""
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
        ((_, box),) = peaks(*reader.networks.find(to_tensor(canvas)[None].numpy()))
        corners = (box[0] / scale, box[1] / scale, box[2] / scale, box[3] / scale)
        crop = to_tensor(square_crop(photo, corners, card.context, card.size))[None]
        reader.networks.read(crop.numpy())
        reader.networks.read(crop.flip(3).numpy())
    return time.perf_counter() - start


def least(reader: Reader, paths: list[Path]) -> float:
    """Seconds of decoding at reduced scale, and of the networks on ready batches."""
    start = time.perf_counter()
    for path in paths:
        open_photo(path)
    decoding = time.perf_counter() - start
    card = reader.card
    scenes = np.zeros((BATCH, 3, card.finder_size, card.finder_size), np.float32)
    crops = np.zeros((BATCH, 3, card.size, card.size), np.float32)
    start = time.perf_counter()
    for _ in range(-(-len(paths) // BATCH)):
        reader.networks.find(scenes)
        reader.networks.read(crops)
        reader.networks.read(crops)
    return decoding + time.perf_counter() - start


def cold(path: Path) -> tuple[float, float]:
    """Median seconds of `combwright read PHOTO` in a process of its own, and its peak in MiB."""
    command = [sys.executable, "-m", "service.cli", "read", str(path)]
    measured = [sys.executable, "-c", PEAK, *command]
    times, peak = [], 0.0
    for _ in range(5):
        start = time.perf_counter()
        done = subprocess.run(measured, capture_output=True, check=True, text=True)
        times.append(time.perf_counter() - start)
        peak = max(peak, float(done.stderr.splitlines()[-1]))
    return sorted(times)[2], peak


def timed(reader: Reader, paths: list[Path]) -> float:
    """Seconds in which a reader reads all photos, warmed up before."""
    read_all(paths[:BATCH], reader.read, {})
    start = time.perf_counter()
    read_all(paths, reader.read, {})
    return time.perf_counter() - start


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=200)
    count = parser.parse_args().photos
    with tempfile.TemporaryDirectory() as folder:
        # In a process of its own, so that its memory isn't taken for the reader's.
        with multiprocessing.get_context("spawn").Pool(1) as pool:
            paths = pool.apply(make_photos, (Path(folder), count))
        seconds, peak = cold(paths[0])
        reader = Reader()
        ours = timed(reader, paths)
        slow = Reader(networks=TorchNetworks(kept_tensors(reader.folder, reader.card)))
        with_torch, floor, plainly = timed(slow, paths), least(reader, paths), plain(slow, paths)
    print(f"one photo from a cold start: {seconds:.2f} s, {peak:.0f} MiB at most")
    print(f"{count} photos of 12 megapixels: {ours:.1f} s, {count / ours:.1f} a second")
    print(f"with PyTorch: {with_torch:.1f} s, {with_torch / ours:.2f} times ours")
    print(f"the plain way: {plainly:.1f} s, {plainly / ours:.2f} times ours")
    print(f"reduced decoding and bare networks: {floor:.1f} s, ours {ours / floor:.2f} times that")


if __name__ == "__main__":
    main()
