"""Reading with Ray on this machine: one worker against two, of one core each.

    python -m benchmarks.cluster [--photos demo_images] [--count 2000] [--megapixels 12]

Every photo of the folder is brought to the size of a phone's and written as JPEG, so often that
there are `--count` files; `combwright read FOLDER --out PARTS --engine ray --jobs N` is run with
one worker and with two. Prints the seconds of the whole command and of the reading alone (from the
first part's start to the last part's end; Ray itself takes a while to start), and the ratios.
Checks that every photo is there once and that both runs say the same.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pyarrow.parquet

from benchmarks.gpu import enlarged


def run(folder: Path, out: Path, workers: int, engine: str) -> tuple[float, float, list[str]]:
    """Seconds of the command, seconds of reading alone, and the readings as printed."""
    start = time.perf_counter()
    words = ["read", str(folder), "--out", str(out), "--jobs", str(workers), "--engine", engine]
    subprocess.run(
        [sys.executable, "-m", "service.cli", *words], check=True, stdout=subprocess.DEVNULL
    )
    whole = time.perf_counter() - start
    parts = sorted(path.stat().st_mtime for path in out.glob("*.parquet"))
    # Each worker's first part ends when it has been read: what came before is left out on both.
    later = parts[-1] - parts[workers - 1]
    alone = later * len(parts) / (len(parts) - workers)
    lines = pyarrow.parquet.read_table(out)["json"].to_pylist()
    return whole, alone, lines


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, default=Path("demo_images"))
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--megapixels", type=float, default=12)
    parser.add_argument("--engine", default="ray", choices=["ray", "here"])
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        made, folder = Path(place) / "made", Path(place) / "photos"
        made.mkdir()
        folder.mkdir()
        files = enlarged(given.photos, made, given.megapixels)
        for number in range(given.count):
            os.link(files[number % len(files)], folder / f"{number:06}.jpg")
        print(f"{given.count} photos of {given.megapixels:g} megapixels, {os.cpu_count()} cores")
        found = {}
        for workers in (2, 1):
            found[workers] = run(folder, Path(place) / f"out-{workers}", workers, given.engine)
            whole, alone, lines = found[workers]
            assert len(lines) == given.count, len(lines)
            print(
                f"{workers} workers: {whole:.0f} s, reading alone {alone:.0f} s "
                f"({given.count / alone:.1f} photos a second)",
                flush=True,
            )
        assert found[1][2] == found[2][2]
        print("the same readings to the last digit")
        print(f"whole command {found[1][0] / found[2][0]:.2f} times as fast with two", end="")
        print(f", reading alone {found[1][1] / found[2][1]:.2f} times")


if __name__ == "__main__":
    main()
