"""What one small request may cost: memory of the server, and the patience of another visitor.

    python -m benchmarks.memory

Starts `combwright serve` on a home of its own and sends it requests of at most 20 MB that ask for
as much as they can, each alone and then ten at once. Prints the server's peak (with the process
that decodes) and the slowest page of another visitor meanwhile; exit 1 above 1.5 GiB or 2 s.
"""

from __future__ import annotations

import argparse
import io
import struct
import sys
import tempfile
import threading
import time
import zipfile
import zlib
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parent.parent))
from benchmarks.served import Served, served
from tests.conftest import DEMO

MOST_MEMORY, MOST_WAIT = 1.5 * 2**30, 2.0
MOST_REQUEST = 20_000_000


def flat_png(width: int, height: int, depth: int, kind: int) -> bytes:
    """Return a PNG of one colour, whose data is all zeros (PNG specification)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        check = zlib.crc32(name + data)
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", check)

    bits = {0: 1, 2: 3, 4: 2, 6: 4}[kind] * depth
    row = bytes(1 + (width * bits + 7) // 8)
    packer = zlib.compressobj(9)
    body = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    header = struct.pack(">IIBBBBB", width, height, depth, kind, 0, 0, 0)
    parts = chunk(b"IHDR", header), chunk(b"IDAT", body), chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def saved(image: Image.Image, form: str, **options: Any) -> bytes:
    """Return a picture in a format."""
    out = io.BytesIO()
    image.save(out, form, **options)
    return out.getvalue()


def square(image: Image.Image, side: int) -> Image.Image:
    """Return a square of a picture."""
    return image.crop((0, 0, side, side))


def zipped(members: dict[str, bytes]) -> bytes:
    """Return a ZIP archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out.getvalue()


def greedy() -> dict[str, tuple[str, dict[str, Any]]]:
    """Return requests by name: a path and what is sent there."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    Image.MAX_IMAGE_PIXELS = None
    rng = np.random.default_rng(1)
    noise = Image.fromarray(rng.integers(0, 255, (2200, 2900, 3), dtype=np.uint8))
    large = Image.new("RGB", (10_900, 10_900), "brown")
    rows = "\n".join(f"b{i},,,cock,2024-03-01" for i in range(400_000))
    wide = "bird," + ",".join(f"c{i}" for i in range(120_000)) + "\n1" + "," * 120_000
    photo, lists = "/api/v1/photos", "/api/v1/birds"

    def as_photo(name: str, data: bytes) -> tuple[str, dict[str, Any]]:
        return photo, {"files": {"file": (name, data)}}

    bombs = {f"{i}.png": flat_png(7000, 7000, 8, 6) for i in range(20)}
    return {
        "PNG of 120 million pixels": as_photo("a.png", flat_png(11_000, 10_900, 8, 2)),
        "PNG of 49 million pixels, RGBA": as_photo("b.png", flat_png(7000, 7000, 8, 6)),
        "PNG of 49 million pixels, 16 bits": as_photo("c.png", flat_png(7000, 7000, 16, 6)),
        "grey PNG of 49 million pixels, 16 bits": as_photo("d.png", flat_png(7000, 7000, 16, 0)),
        "JPEG of 119 million pixels": as_photo("e.jpg", saved(large, "JPEG")),
        "progressive JPEG of 119 million pixels": as_photo(
            "f.jpg", saved(large, "JPEG", progressive=True)
        ),
        "HEIC of 36 million pixels": as_photo("g.heic", saved(square(large, 6000), "HEIF")),
        "WebP of 49 million pixels": as_photo("h.webp", saved(square(large, 7000), "WEBP")),
        "PNG of noise, 19 MB": as_photo("i.png", saved(noise, "PNG")),
        "GIF of 49 million pixels": as_photo("j.gif", saved(square(large, 7000), "GIF")),
        "ZIP of 20 large PNGs": ("/photos", {"files": {"files": ("k.zip", zipped(bombs))}}),
        "list of 120,000 columns": (lists, {"files": {"file": ("l.csv", wide.encode())}}),
        "list of 400,000 rows": (lists, {"files": {"file": ("m.csv", rows.encode()[:9_900_000])}}),
        "JSON nested without end": ("/api/v1/pens", {"content": b"[" * 290_000}),
        "JSON of 19 MB": ("/api/v1/pens", {"json": {"name": "x" * 19_000_000}}),
        "reason of 19 MB": ("/birds/17/decisions", {"data": {"reason": "x" * 19_000_000}}),
        "form of 100,000 fields": ("/sort", {"data": {f"f{i}": "" for i in range(100_000)}}),
    }  # fmt: skip


class Watch:
    """Watches memory, and how long another visitor waits for a page."""

    def __init__(self, server: Served) -> None:
        self.server = server
        self.peak, self.slowest = 0, 0.0
        self.over = threading.Event()
        self.threads = [threading.Thread(target=work) for work in (self.weigh, self.visit)]
        for thread in self.threads:
            thread.start()

    def weigh(self) -> None:
        """Note the peak."""
        while not self.over.wait(0.02):
            self.peak = max(self.peak, self.server.memory())

    def visit(self) -> None:
        """Ask for pages."""
        with httpx.Client(base_url=self.server.url, timeout=60) as client:
            while not self.over.wait(0.1):
                start = time.monotonic()
                client.get("/birds").raise_for_status()
                self.slowest = max(self.slowest, time.monotonic() - start)

    def end(self) -> None:
        """Watch no more."""
        self.over.set()
        for thread in self.threads:
            thread.join()


def watched(server: Served, work: Callable[[], str]) -> tuple[str, int, float]:
    """Return what work says, the peak of memory and the slowest page meanwhile."""
    watch = Watch(server)
    try:
        said = work()
    finally:
        watch.end()
    return said, watch.peak, watch.slowest


def send(server: Served, path: str, options: dict[str, Any]) -> str:
    """Send a request; returns its status, or how it ended."""
    try:
        return str(httpx.post(server.url + path, timeout=300, **options).status_code)
    except httpx.HTTPError as error:
        return type(error).__name__


def send_at_once(server: Served, requests: Sequence[tuple[str, dict[str, Any]]]) -> str:
    """Send requests at once; returns their statuses."""
    said: list[str] = []
    threads = [
        threading.Thread(target=lambda r=request: said.append(send(server, *r)))
        for request in requests
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return " ".join(sorted(said))


def main() -> None:
    """Run the command line."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    requests = greedy()
    failed = False
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        home.mkdir()
        with served(home, photos=6) as server:
            print(f"before: {server.memory() / 2**20:.0f} MiB")
            work: list[tuple[str, Callable[[], str]]] = [
                (name, partial(send, server, *request)) for name, request in requests.items()
            ]
            data = (DEMO / "17.jpg").read_bytes()
            photo = ("/api/v1/photos", {"files": {"file": ("17.jpg", data)}})
            for name in requests:
                tenfold = [requests[name]] * 10
                work.append((f"ten at once: {name}", partial(send_at_once, server, tenfold)))
            work.append(("a photo afterwards", partial(send, server, *photo)))
            for name, act in work:
                said, peak, slowest = watched(server, act)
                over = peak > MOST_MEMORY or slowest > MOST_WAIT
                failed |= over or "5" in {status[0] for status in said.split()}
                mark = "  OVER" if over else ""
                print(
                    f"{name}: {said}, {peak / 2**20:.0f} MiB, page {slowest:.2f} s{mark}",
                    flush=True,
                )
    sys.exit(failed)


if __name__ == "__main__":
    main()
