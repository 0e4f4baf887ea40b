"""A flock of 10,000 birds with 40,000 readings: a bird's page, and a new reading worked in.

    python benchmarks/records.py [--birds 10000] [--lines 40]

The flock is made up: lines of a cock over three hens that keep to themselves, year after year, with
genotypes handed down; one bird in ten has two possible sires. Prints medians of single calls on
this machine.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
from sqlalchemy import func, insert, select

sys.path.insert(0, str(Path(__file__).parent.parent))
from genetics.combs import CLASSES, founder_prior, penetrance
from genetics.cross import transmission
from service.answers.assessments import assess_birds
from service.answers.refresh import answer, refresh
from service.flock.flock_csv import OR
from service.installation import open_store
from service.records.database import Store
from service.records.readings import row_from_person
from service.records.tables import BirdRow, PhotoRow, ReadingRow
from service.settings import Settings

NOW, DAY, EVEN = datetime(2026, 10, 4, tzinfo=UTC), date(2026, 10, 4), [1 / 6] * 6


def flock_rows(
    birds: int, lines: int, rng: random.Random
) -> tuple[list[dict[str, object]], list[int]]:
    """Rows of birds: each line a cock over three hens, their chicks the next year's parents.

    With them the place of each bird's comb among the classes, by its genotype.
    """
    rows: list[dict[str, object]] = []
    each = birds // lines
    genes: dict[str, int] = {}
    table, inherit = penetrance(False), transmission()
    combs: list[int] = []

    def add(line: int, number: int, sire: str, dam: str, year: int) -> str:
        band = f"{line}-{number}"
        father = rng.choice(sire.split(OR)) if sire else ""
        chances = inherit[genes[father], genes[dam]] if father else founder_prior()
        genes[band] = rng.choices(range(9), np.asarray(chances).tolist())[0]
        combs.append(rng.choices(range(6), table[genes[band]].tolist())[0])
        sex = "cock" if number % 2 else "hen"
        rows.append(
            {
                "band": band, "sire": sire, "dam": dam, "sex": sex,
                "hatched": date(2018 + year, 4, 1), "comb": "", "comb_by": "",
                "wattles": "", "genotype": "", "notes": "", "variety": "", "status": "",
                "photo": "", "extra": {}, "crest": False, "beard": False,
            }
        )  # fmt: skip
        return band

    for line in range(lines):
        parents = [add(line, i, "", "", 0) for i in range(18)]
        number, year = 18, 1
        while number < each:
            chicks = []
            cocks, hens = parents[1::2], parents[0::2][:3]
            for _ in range(min(60, each - number)):
                sire = cocks[0]
                if rng.random() < 0.1 and len(cocks) > 1:
                    sire = OR.join(cocks[:2])
                chicks.append(add(line, number, sire, rng.choice(hens), year))
                number += 1
            parents, year = chicks[:18] if len(chicks) >= 18 else parents, year + 1
    return rows, combs


def filled(store: Store, birds: int, lines: int) -> None:
    """Birds, four photos each, a model's reading of each photo."""
    rng = random.Random(0)
    rows, combs = flock_rows(birds, lines, rng)
    # Of four looks at a bird one in ten is at another comb than the one that is there.
    with store.writing("benchmark", "flock") as session:
        session.execute(insert(BirdRow), rows)
        ids = dict(session.execute(select(BirdRow.id, BirdRow.band)).all())
        photos, readings = [], []
        for (key, band), truth in zip(ids.items(), combs, strict=True):
            for k in range(4):
                sha256 = f"{key:032x}{k:032x}"
                photos.append(
                    {
                        "sha256": sha256, "source_sha256": sha256, "name": f"{band}-{k}.jpg",
                        "suffix": ".jpg", "bytes": 1, "taken_in": NOW, "likeness": "",
                        "like": "", "bird_id": key,
                    }
                )  # fmt: skip
                comb = [0.03] * 6
                comb[truth if rng.random() < 0.9 else rng.randrange(6)] = 0.85
                readings.append(reading(sha256, f"{band}-{k}.jpg", comb))
        session.execute(insert(PhotoRow), photos)
        session.execute(insert(ReadingRow), readings)


def reading(sha256: str, name: str, comb: list[float]) -> dict[str, object]:
    """Return a model's reading as a row."""
    best = CLASSES[max(range(6), key=comb.__getitem__)]
    content = {
        "photo": name, "box": [10, 10, 200, 200], "source": "found", "score": 0.9, "comb": comb,
        "none_of_these": 0.02, "readable": 0.95, "plausible": [best], "crest": 0.5, "beard": 0.05,
        "wattles": ["small", None], "complaints": [], "remarks": [], "doubts": [],
        "pile": "settled", "young": 0.1, "outline": [],
    }  # fmt: skip
    return {
        "photo_sha256": sha256, "made": NOW, "by": "model", "person": False, "blind": True,
        "comb": best, "content": content,
    }  # fmt: skip


def median_of(work: Callable[[str], None], bands: list[str]) -> float:
    """Median milliseconds of a call."""
    times = []
    for band in bands:
        start = time.perf_counter()
        work(band)
        times.append(1000 * (time.perf_counter() - start))
    return statistics.median(times)


def main() -> None:
    """Fill a store, then time it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--birds", type=int, default=10_000)
    parser.add_argument("--lines", type=int, default=40)
    parser.add_argument("--database", default="")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        url = args.database or f"sqlite:///{home / 'flock.sqlite3'}"
        store = open_store(Settings(home, url))
        filled(store, args.birds, args.lines)
        start = time.perf_counter()
        refresh(store, EVEN, DAY)
        print(f"all answers worked out: {time.perf_counter() - start:.1f} s")
        with store.reading() as session:
            count = session.scalar(select(func.count()).select_from(ReadingRow))
            bands = list(session.scalars(select(BirdRow.band)))
        print(f"{len(bands)} birds in {args.lines} lines, {count} readings")
        some = random.Random(1).sample(bands, 60)

        def opened(band: str) -> None:
            with store.reading() as session:
                assert assess_birds(session, [band])[band]
                assert answer(session, band)

        def read_anew(band: str) -> None:
            with store.writing("Ada", "reading") as session:
                photo = session.scalar(
                    select(PhotoRow).join(BirdRow).where(BirdRow.band == band).limit(1)
                )
                assert photo is not None
                photo.readings.append(row_from_person("Ada", NOW, "walnut"))
            assert refresh(store, EVEN, DAY, [band])

        print(f"a bird's page data: median {median_of(opened, some):.1f} ms")
        print(f"one new reading worked in: median {median_of(read_anew, some[:20]):.0f} ms")
        store.engine.dispose()


if __name__ == "__main__":
    main()
