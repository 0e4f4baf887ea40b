"""Whole commands on whole flocks: from a list to JSON, and from a confirmed photo to answers.

    python -m benchmarks.candidates [--largest 100000]

Writes flocks whose combs follow Mendel with 3 % misreads (`benchmarks/flocks.py`), runs `combwright
candidates LIST --json` on each in a process of its own, and prints the seconds above those of a
list of one bird, the largest memory, and how time grows with the flock (the exponent, 1 for
linear). Then, in records on SQLite, the time from a person's confirmation of a photo until all
candidates have moved: a pen of one cock, four hens and 24 chicks, and one whose chicks may be of
two cocks and three hens, crests not noted in either.
"""

from __future__ import annotations

import argparse
import math
import random
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, date, datetime
from pathlib import Path

from sqlalchemy import select

from benchmarks.flocks import mendelian_list
from classifier.reading import HeadBox, Reading, Wattles
from service.answers.refresh import refresh
from service.flock.flock_csv import parse_flock
from service.installation import open_store
from service.records.birds import take_in
from service.records.readings import row_from_person, row_from_reading
from service.records.tables import BirdRow, PhotoRow
from service.settings import Settings

EVEN, DAY, NOW = [1 / 6] * 6, date(2026, 10, 4), datetime(2026, 10, 4, tzinfo=UTC)
COMBS = ("single", "rose", "pea", "walnut")


def command(path: Path) -> tuple[float, float]:
    """Seconds and the largest memory in GB of the whole command on a list."""
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "service.cli", "candidates", str(path), "--json"],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e6
    return time.perf_counter() - start, memory


def pen(cocks: int, hens: int, told: bool) -> str:
    """Return a list of a pen with 24 chicks of one day, crests not noted."""
    rng = random.Random(1)
    parents = [f"c{i}" for i in range(cocks)] + [f"h{i}" for i in range(hens)]
    rows = ["bird,sire,dam,sex,hatched,comb"]
    for band in parents:
        cock = band.startswith("c")
        rows.append(
            f"{band},,,{'cock' if cock else 'hen'},2024-03-01,{'walnut' if cock else 'single'}"
        )
    for i in range(24):
        sire = f"c{rng.randrange(cocks)}" if told else " or ".join(parents[:cocks])
        dam = f"h{rng.randrange(hens)}" if told else " or ".join(parents[cocks:])
        rows.append(f"k{i},{sire},{dam},,2025-03-01,{rng.choice(COMBS)}")
    return "\n".join(rows) + "\n"


def reading_of(rng: random.Random, name: str) -> Reading:
    """Return what a reader may say of a photo."""
    chances = [rng.random() ** 3 + 0.01 for _ in range(6)]
    comb = tuple(c / sum(chances) for c in chances)
    box = HeadBox((0.0, 0.0, 200.0, 200.0), "found", 0.9)
    return Reading(
        name, box, comb, 0.01, 0.95, (), 0.5, 0.5, Wattles(None, None), (), (), "benchmark"
    )


def confirmed(text: str) -> tuple[float, int]:
    """Median seconds from a confirmation to all candidates, and how many birds there are."""
    rng = random.Random(2)
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(Settings(Path(folder), f"sqlite:///{folder}/flock.sqlite3"))
        with store.writing("Ada", "list") as session:
            take_in(session, parse_flock(text))
        with store.writing("Ada", "photos") as session:
            chicks = [b for b in session.scalars(select(BirdRow)) if b.band.startswith("k")]
            for i, bird in enumerate(chicks):
                name = f"{bird.band}.jpg"
                photo = PhotoRow(
                    sha256=f"{i:064}", name=name, suffix=".jpg", taken_in=NOW, bird_id=bird.id
                )
                photo.readings.append(row_from_reading(reading_of(rng, name), NOW, name))
                session.add(photo)
        refresh(store, EVEN, DAY)
        took = []
        for i in range(7):
            with store.writing("Ann", "confirmed") as session:
                seen = session.scalar(select(PhotoRow).where(PhotoRow.name == f"k{i}.jpg"))
                assert seen is not None
                seen.readings.append(row_from_person("Ann", NOW, "single", blind=False))
            start = time.perf_counter()
            moved = refresh(store, EVEN, DAY, [f"k{i}"])
            took.append(time.perf_counter() - start)
        return sorted(took)[3], len(moved)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--largest", type=int, default=100_000)
    largest = parser.parse_args().largest
    for words, text in (
        ("1 cock, 4 hens", pen(1, 4, True)),
        ("2 possible cocks, 3 possible hens", pen(2, 3, False)),
    ):
        seconds, birds = confirmed(text)
        print(f"{words}, 24 chicks: a confirmed photo {seconds:.2f} s until {birds} birds moved")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "flock.csv"

        def timed(text: str) -> tuple[float, float]:
            path.write_text(text, encoding="utf-8")
            return command(path)

        timed("bird\n1\n")
        start_up, _ = timed("bird\n1\n")
        print(f"start-up {start_up:.1f} s")
        for crest in ("told", "blank", "half"):
            seconds, _ = timed(mendelian_list(1000, crest, "line", 0, 0.03))
            print(f"1,000 birds of one line, crests {crest}: {seconds - start_up:.1f} s above it")
        last = 0.0, 0
        for birds in (10_000, 100_000):
            if birds > largest:
                break
            seconds, memory = timed(mendelian_list(birds, "blank", "pens", 0, 0.03))
            seconds -= start_up
            grows = ""
            if last[1]:
                grows = f", growing by {math.log(seconds / last[0], birds / last[1]):.2f}"
            print(f"{birds:,} birds in pens: {seconds:.1f} s above it, {memory:.2f} GB{grows}")
            last = seconds, birds


if __name__ == "__main__":
    main()
