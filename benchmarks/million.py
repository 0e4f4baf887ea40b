"""A million birds: from a list to a file of candidates, with the whole command's time and memory.

    python -m benchmarks.million [--birds 1000000] [--jobs 2] [--parquet]

Writes a flock whose combs follow Mendel with 3 % misreads (`benchmarks/flocks.py`: pens, crests of
every other bird noted), runs `combwright candidates LIST --out FILE.parquet`, and prints seconds,
the largest memory of all its processes together (proportional set size, sampled each half second),
and the size of the answer.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pyarrow.csv
import pyarrow.parquet

from benchmarks.flocks import mendelian_list


def memory_of(process: int) -> float:
    """GB that a process and its children hold together, shared pages split among them."""
    total = 0
    for place in Path("/proc").glob("[0-9]*"):
        try:
            session = (place / "stat").read_text().rpartition(")")[2].split()[3]
            if session == str(process):
                rollup = (place / "smaps_rollup").read_text()
                total += int(rollup.split("Pss:")[1].split()[0])
        except (OSError, IndexError):  # ended meanwhile
            continue
    return total / 1e6


def run(command: list[str]) -> tuple[float, float]:
    """Seconds and the largest memory in GB of a command with all its processes."""
    start, largest = time.perf_counter(), 0.0
    process = subprocess.Popen(command, start_new_session=True, stdout=subprocess.DEVNULL)
    while process.poll() is None:
        largest = max(largest, memory_of(process.pid))
        time.sleep(0.5)
    if process.returncode:
        raise SystemExit(f"{command} ended with {process.returncode}")
    return time.perf_counter() - start, largest


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--birds", type=int, default=1_000_000)
    parser.add_argument("--jobs", type=int, nargs="+", default=[2])
    parser.add_argument("--crest", default="half", choices=["told", "blank", "half"])
    parser.add_argument("--parquet", action="store_true", help="The list is Parquet, not CSV.")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        flock, out = Path(folder) / "flock.csv", Path(folder) / "candidates.parquet"
        flock.write_text(mendelian_list(given.birds, given.crest, "pens", 0, 0.03), "utf-8")
        if given.parquet:
            pyarrow.parquet.write_table(pyarrow.csv.read_csv(flock), flock.with_suffix(".parquet"))
            flock = flock.with_suffix(".parquet")
        print(f"{given.birds:,} birds, {flock.stat().st_size / 1e6:.0f} MB {flock.suffix}")
        for jobs in given.jobs:
            words = ["candidates", str(flock), "--out", str(out), "--jobs", str(jobs)]
            seconds, memory = run([sys.executable, "-m", "service.cli", *words])
            rows = pyarrow.parquet.read_metadata(out).num_rows
            assert rows == given.birds, rows
            print(
                f"{jobs} processes: {seconds:.0f} s, {memory:.2f} GB, "
                f"{out.stat().st_size / 1e6:.0f} MB of answers",
                flush=True,
            )


if __name__ == "__main__":
    main()
