"""Twenty minutes of a busy day: pages, photos taken in and read, looks, undoing, backups.

    python -m benchmarks.soak [--minutes 20] [--rate 20]

Starts `combwright serve` on a home of its own with the demo flock. Prints how long answers took
and how much memory the server held after a tenth of the time (when its caches are warm) and at
the end; exit 1 if any answer was an error or memory grew by 5 % or more.
"""

from __future__ import annotations

import argparse
import io
import os
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

import httpx
from PIL import Image

sys.path.insert(0, str(Path(__file__).parent.parent))
from benchmarks.served import Served, served
from tests.conftest import DEMO, ROOT

PAGES = (
    "/", "/birds", "/sort", "/walk", "/flock", "/matings", "/guide", "/changes", "/birds/17",
    "/birds/17/opinion", "/birds.csv", "/api/v1/flock", "/api/v1/sort", "/api/v1/birds/23",
    "/api/v1/trail", "/health",
)  # fmt: skip


class Day:
    """What is sent, and what came of it."""

    def __init__(self, server: Served) -> None:
        self.server = server
        self.client = httpx.Client(base_url=server.url, timeout=60)
        self.rng = random.Random(1)
        self.lock = threading.Lock()
        self.statuses: Counter[str] = Counter()
        self.seconds: list[float] = []
        self.acts: list[str] = []
        self.photos = sorted(DEMO.glob("*.jpg"))
        self.bands = [path.stem for path in self.photos]
        self.number = 0

    def photo(self) -> bytes:
        """Return a photo of the demo, turned and cut a little, so that it is a new one."""
        self.number += 1
        image = Image.open(self.rng.choice(self.photos)).convert("RGB")
        image = image.rotate(self.rng.uniform(-9, 9))
        image = image.crop((3, 3, image.width - 3, image.height - 3))
        out = io.BytesIO()
        image.save(out, "JPEG", quality=self.rng.randrange(70, 95))
        return out.getvalue()

    def send(self, number: int) -> None:
        """Send one request; every 100th is a photo, every 40th an act, every 100th an undo."""
        start = time.monotonic()
        try:
            if number % 100 == 50:
                files = {"file": (f"{number}.jpg", self.photo())}
                band = self.rng.choice(self.bands)
                answer = self.client.post("/api/v1/photos", files=files, data={"bird": band})
                what = "photo"
            elif number % 40 == 20:
                data = {"name": f"Pen {number % 5}", "bands": ["17"], "since": "2026-01-01"}
                answer = self.client.post("/api/v1/pens", json=data)
                if answer.status_code == 200:
                    with self.lock:
                        self.acts.append(answer.json()["act"])
                what = "act"
            elif number % 100 == 80 and self.acts:
                with self.lock:
                    act = self.acts.pop()
                answer = self.client.post("/api/v1/undo", json={"act": act})
                what = "undo"
            else:
                answer = self.client.get(self.rng.choice(PAGES))
                what = "page"
            said = f"{what} {answer.status_code}"
        except httpx.HTTPError as error:
            said = f"failed {type(error).__name__}"
        with self.lock:
            self.statuses[said] += 1
            self.seconds.append(time.monotonic() - start)

    def back_up(self) -> None:
        """Back everything up while the pages are served."""
        path = self.server.home.parent / "soak.zip"
        environment = {**os.environ, "COMBWRIGHT_HOME": str(self.server.home)}
        command = [sys.executable, "-m", "service.cli", "backup", str(path), "--replace"]
        done = subprocess.run(command, env=environment, cwd=ROOT, capture_output=True, check=False)
        with self.lock:
            self.statuses[f"backup {done.returncode}"] += 1


def soak(server: Served, minutes: float, rate: float) -> tuple[Day, int, int]:
    """Send for so long; returns the day, and memory after a tenth of it and at its end."""
    day, start, early = Day(server), time.monotonic(), 0
    workers: list[threading.Thread] = []
    total = int(minutes * 60 * rate)
    for number in range(total):
        wait = start + number / rate - time.monotonic()
        if wait > 0:
            time.sleep(wait)
        worker = threading.Thread(target=day.send, args=(number,))
        worker.start()
        workers = [w for w in workers if w.is_alive()] + [worker]
        if number == total // 10:
            early = server.memory()
        if number % int(300 * rate) == int(100 * rate):
            backup = threading.Thread(target=day.back_up)
            backup.start()
            workers.append(backup)
    for worker in workers:
        worker.join()
    return day, early, server.memory()


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--rate", type=float, default=20)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        home.mkdir()
        with served(home, photos=39) as server:
            day, early, late = soak(server, asked.minutes, asked.rate)
        log = (home / "server.log").read_text()
    for said, count in sorted(day.statuses.items()):
        print(f"{said}: {count}")
    quantiles = statistics.quantiles(day.seconds, n=100)
    print(f"answered after {quantiles[49]:.3f} s (half), {quantiles[94]:.3f} s (95 of 100)")
    growth = late / early - 1
    sizes = f"{early / 1e6:.0f} MB after a tenth, {late / 1e6:.0f} MB at the end"
    print(f"memory: {sizes}: {growth:+.1%}")
    print(f"log: {len(log.splitlines())} lines")
    errors = [s for s in day.statuses if s.split()[-1] not in ("200", "0", "404", "409")]
    sys.exit(bool(errors) or growth >= 0.05)


if __name__ == "__main__":
    main()
