"""The reader in a browser beside the one in Python, on the same photographs, in one run.

    python -m benchmarks.browser --photos FOLDER [--split check] [--most N]

FOLDER holds labels.csv (columns file, split). Prints how far boxes and chances differ and how many
photos get another pile or proposal; how long a photo of 12 megapixels takes in the page; how many
frames a second the viewfinder's reading reaches; how much a first visit loads, and how long a
second start without a net takes. Needs Debian's chromium.
"""

from __future__ import annotations

import argparse
import base64
import csv
import io
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from PIL import Image
from playwright.sync_api import Page, sync_playwright

from benchmarks.served import running
from classifier.boxes import iou
from classifier.photo import Photo, open_photo
from classifier.reader import Reader
from classifier.reading import Reading
from service.installation import open_store
from service.settings import Settings

CHROMIUM = "/usr/bin/chromium"
TWELVE_MEGAPIXELS = (4000, 3000)
BEGIN = """async () => {
  const reader = await import("/static/pocket/reader.js");
  const before = performance.now();
  await reader.begin("");
  globalThis.pocket = reader;
  return performance.now() - before;
}"""
READ = """async ([data, type]) => {
  const bytes = Uint8Array.from(atob(data), (c) => c.charCodeAt(0));
  const before = performance.now();
  const reading = await pocket.read(new Blob([bytes], { type }));
  return { ...reading, took: performance.now() - before };
}"""
GLANCE = """async ([data, count]) => {
  const bytes = Uint8Array.from(atob(data), (c) => c.charCodeAt(0));
  const frame = await createImageBitmap(new Blob([bytes]), { resizeWidth: 800, resizeHeight: 600 });
  const before = performance.now();
  for (let k = 0; k < count; k++) await pocket.glance(await createImageBitmap(frame));
  return (count * 1000) / (performance.now() - before);
}"""


@contextmanager
def page_of(settings: Settings) -> Iterator[tuple[Page, str]]:
    """Provide a page of a server of its own, that has everything to load yet, and the address."""
    with running(settings) as server, sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser.new_context().new_page(), server.url
        browser.close()


def in_browser(page: Page, data: bytes, kind: str) -> dict[str, Any]:
    """Return the reading of a picture file by the page's own reader."""
    answer: dict[str, Any] = page.evaluate(READ, [base64.b64encode(data).decode(), kind])
    return answer


def kind_of(path: Path) -> str:
    """Return the media type of a picture file."""
    suffix = path.suffix.lower()
    return {".png": "image/png", ".webp": "image/webp"}.get(suffix, "image/jpeg")


def compare(ours: list[Reading], theirs: list[dict[str, Any]]) -> dict[str, Any]:
    """How far the two readers differ."""
    chances = np.array(
        [
            np.abs(np.array(a.comb) - np.array(b["comb"])).max()
            for a, b in zip(ours, theirs, strict=True)
        ]
    )
    overlap = [iou(list(a.head.box), b["head"]["box"]) for a, b in zip(ours, theirs, strict=True)]
    piles = sum(a.pile == b["pile"] for a, b in zip(ours, theirs, strict=True))
    same = sum(a.proposal == b["proposal"] for a, b in zip(ours, theirs, strict=True))
    doubts = sum(
        [d.code for d in a.doubts] == [d["code"] for d in b["doubts"]]
        for a, b in zip(ours, theirs, strict=True)
    )
    return {
        "photos": len(ours),
        "largest difference of a chance": round(float(chances.max()), 4),
        "differences above 0.02": int((chances > 0.02).sum()),
        "differences above 0.05": int((chances > 0.05).sum()),
        "least overlap of boxes (IoU)": round(min(overlap), 4),
        "same pile": piles,
        "same proposal": same,
        "same doubts": doubts,
    }


def large_photo(path: Path) -> bytes:
    """Return a photo with as many pixels as a phone takes, as JPEG."""
    with Image.open(path) as image:
        big = image.convert("RGB").resize(TWELVE_MEGAPIXELS, Image.Resampling.BICUBIC)
    out = io.BytesIO()
    big.save(out, "JPEG", quality=90)
    return out.getvalue()


def first_visit(page: Page, url: str) -> int:
    """Visit the walk as a phone does; returns the bytes on the wire of all that it then keeps."""
    page.goto(f"{url}/walk/all/0")
    page.evaluate(BEGIN)
    page.wait_for_timeout(3000)
    kept: list[str] = page.evaluate(
        """async () => {
          const [name] = await caches.keys();
          return (await (await caches.open(name)).keys()).map((one) => one.url);
        }"""
    )
    return on_the_wire(kept)


def on_the_wire(addresses: list[str]) -> int:
    """Return how many bytes answers have as they are sent to a browser."""
    total = 0
    for address in addresses:
        taken = {"accept-encoding": "gzip, deflate, br"}  # as a browser says on https
        with httpx.stream("GET", address, headers=taken) as answer:
            total += sum(map(len, answer.iter_raw()))
    return total


def offline_start(page: Page, url: str) -> float:
    """Seconds from opening the walk without a net until the reader can read."""
    page.goto(f"{url}/walk/all/0")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()
    page.evaluate(BEGIN)
    page.wait_for_timeout(1500)
    page.context.set_offline(True)
    begun = time.monotonic()
    page.goto(f"{url}/walk/all/0")
    page.evaluate(BEGIN)
    took = time.monotonic() - begun
    page.context.set_offline(False)
    return took


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--split", default="check")
    parser.add_argument("--most", type=int)
    args = parser.parse_args()
    with (args.photos / "labels.csv").open(encoding="utf-8") as file:
        names = [r["file"] for r in csv.DictReader(file) if r["split"] == args.split]
    paths = [args.photos / name for name in names][: args.most]
    photos: list[Photo] = [open_photo(path) for path in paths]
    ours = Reader().read(photos)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        settings = Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")
        open_store(settings).engine.dispose()
        with page_of(settings) as (page, url):
            print(f"first visit: {first_visit(page, url) / 1e6:.3f} MB")
            codes = [f"{url}/static/zxing/{name}" for name in ("share.js", "reader/index.js")]
            later = on_the_wire([*codes, f"{url}/pocket/zxing.wasm"])
            print(f"later, where the browser reads no codes itself: {later / 1e6:.3f} MB")
            theirs = [in_browser(page, path.read_bytes(), kind_of(path)) for path in paths]
            for name, value in compare(ours, theirs).items():
                print(f"{name}: {value}")
            big = large_photo(paths[0])
            took = [in_browser(page, big, "image/jpeg")["took"] for _ in range(20)]
            print(f"a photo of 12 megapixels: {np.median(took):.0f} ms, median of 20")
            frame = base64.b64encode(big).decode()
            print(f"viewfinder: {page.evaluate(GLANCE, [frame, 20]):.1f} frames a second")
            print(f"a second start without a net: {offline_start(page, url):.1f} s")


if __name__ == "__main__":
    main()
