"""How long pages take over a slow mobile network, beside the same over this machine's own.

    python benchmarks/slow_net.py [--kilobits 400] [--delay 400]

Chromium's own throttling of bandwidth and delay (milliseconds there and back) stands for the net;
400 kbit/s with 400 ms is what it calls slow 3G. Nothing is cached. Prints seconds until the words
are there and until the pictures of the first screen are, with the bytes of each.
"""

from __future__ import annotations

import argparse
import io
import statistics
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, FilePayload, sync_playwright

sys.path.insert(0, str(Path(__file__).parent.parent))
from tests.browser.demo import build, served, settings_in
from tests.conftest import DEMO

PAGES = ("/", "/walk", "/walk/hatch/2?band=31", "/sort", "/birds/25", "/flock", "/guide")
SECONDS = """() => {
    const [page] = performance.getEntriesByType("navigation");
    const all = [page, ...performance.getEntriesByType("resource")];
    const photo = (entry) => /\\.(jpg|webp|png)/.test(entry.name);
    const bytes = (some) => some.reduce((sum, entry) => sum + entry.transferSize, 0);
    const last = Math.max(page.loadEventEnd, ...all.filter(photo).map((e) => e.responseEnd));
    return [page.domContentLoadedEventEnd / 1000, last / 1000,
        bytes(all.filter((e) => !photo(e))), bytes(all.filter(photo))];
}"""


def timed(browser: Browser, url: str, kilobits: int, delay: int) -> list[float]:
    """Seconds to words and to pictures, bytes without photos and of photos."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, service_workers="block")
    page = context.new_page()
    if kilobits:
        session = context.new_cdp_session(page)
        session.send("Network.enable")
        rate = kilobits * 1000 / 8
        session.send(
            "Network.emulateNetworkConditions",
            {
                "offline": False,
                "latency": delay,
                "downloadThroughput": rate,
                "uploadThroughput": rate,
            },
        )
    page.goto(url, wait_until="networkidle", timeout=120_000)
    page.wait_for_timeout(200)
    found: list[float] = page.evaluate(SECONDS)
    context.close()
    return found


def read_in(browser: Browser, url: str) -> list[float]:
    """Seconds from photo to reading on a walk, of photos that the store hasn't seen."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, service_workers="block")
    page = context.new_page()
    found = []
    for band in ("21", "22", "23", "24", "26"):
        page.goto(f"{url}/walk/hatch/2?band={band}")
        image = Image.open(DEMO / f"{band}.jpg")
        image.paste((200, 10, 10), (0, 0, 24, 24))
        data = io.BytesIO()
        image.save(data, "JPEG", quality=92)
        photo = FilePayload(name=f"{band}.jpg", mimeType="image/jpeg", buffer=data.getvalue())
        start = time.monotonic()
        page.locator("#files").set_input_files(photo)
        page.locator(f"#shots li p a:text-is('{band}')").first.wait_for()
        found.append(time.monotonic() - start)
    context.close()
    return found


def main() -> None:
    """Both nets side by side."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kilobits", type=int, default=400)
    parser.add_argument("--delay", type=int, default=400)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        settings = settings_in(Path(name))
        build(settings)
        with served(settings) as url, sync_playwright() as play:
            browser = play.chromium.launch(
                executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
            )
            for path in PAGES:
                timed(browser, url + path, 0, 0)  # pictures are made once
                near = timed(browser, url + path, 0, 0)
                far = timed(browser, url + path, args.kilobits, args.delay)
                print(
                    f"{path:24} words {far[0]:5.1f} s (here {near[0]:.2f} s), pictures "
                    f"{far[1]:5.1f} s (here {near[1]:.2f} s); {far[2] / 1000:.0f} kB and photos "
                    f"{far[3] / 1000:.0f} kB"
                )
            waits = read_in(browser, url)
            print(
                f"walk, from photo to reading on this machine: {statistics.median(waits):.2f} s "
                f"(longest of {len(waits)}: {max(waits):.2f} s)"
            )
            browser.close()


if __name__ == "__main__":
    main()
