"""Fifty people at the pages of a flock of 10,000 birds while lots of 200 photos are being read.

    python benchmarks/load.py [--users 50] [--seconds 300] [--birds 10000] [--photos 200]

Server, readers of pages and the reading share this machine's cores. The server has a minute to look
over the records first. Each user opens a page, looks at it for 1 to 5 seconds, and opens the next;
pages are those of the map, birds and photos chosen at random. Prints medians and 95th percentiles
by page, and how long each lot took: one after the other, for the whole time.
"""

from __future__ import annotations

import argparse
import asyncio
import io
import random
import statistics
import sys
import tempfile
import time
import zipfile
from collections import defaultdict
from collections.abc import Callable
from datetime import date
from pathlib import Path

import httpx
from PIL import Image
from sqlalchemy import select, update

sys.path.insert(0, str(Path(__file__).parent.parent))
from benchmarks.records import filled
from service.answers.queue import catch_up
from service.answers.refresh import refresh
from service.installation import open_store
from service.model import default_reader
from service.records.database import Store
from service.records.entries import move_in
from service.records.tables import BirdRow, HatchRow, PhotoRow, ReadingRow
from tests.browser.demo import served, settings_in
from tests.conftest import DEMO

THINK = (1.0, 5.0)
SETTLE = 60  # seconds for the server to look over the records at its start


def grouped(store: Store) -> None:
    """Sixty hatches of sixty chicks, ten pens of four."""
    with store.writing("benchmark", "groups") as session:
        # Or the server would look for their files, which don't exist, to read them anew.
        session.execute(update(ReadingRow).values(by=default_reader().card.model))
        birds = session.execute(select(BirdRow.id, BirdRow.band, BirdRow.sex)).all()
        for number in range(60):
            row = HatchRow(name=f"hatch {number}", hatched=date(2020, 4, 1), notes="")
            session.add(row)
            session.flush()
            ids = [b.id for b in birds[100 + number * 60 : 160 + number * 60]]
            session.execute(update(BirdRow).where(BirdRow.id.in_(ids)).values(hatch_id=row.id))
        for number in range(10):
            here = birds[number * 250 : number * 250 + 4]
            move_in(session, f"pen {number}", [b.band for b in here], date(2020, 1, 1))


async def readings(
    client: httpx.AsyncClient, photos: int, until: float
) -> list[tuple[float, float]]:
    """Lot after lot until the time is over."""
    found: list[tuple[float, float]] = []
    while time.monotonic() < until:
        data = await asyncio.to_thread(lot, photos, len(found))
        found.append(await reading(client, data))
    return found


def lot(photos: int, which: int) -> bytes:
    """Return a ZIP of photos that differ in a corner, from one lot to the next as well."""
    sources = sorted(DEMO.glob("*.jpg"))
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for number in range(photos):
            image = Image.open(sources[number % len(sources)])
            image.paste((number % 256, number // 256, 16 * which), (0, 0, 8, 8))
            one = io.BytesIO()
            image.save(one, "JPEG", quality=88)
            archive.writestr(f"lot-{number}.jpg", one.getvalue())
    return buffer.getvalue()


def choices(store: Store) -> dict[str, Callable[[], str]]:
    """Return a page's path by the kind of page; birds and photos at random."""
    with store.reading() as session:
        bands = session.scalars(select(BirdRow.band)).all()
        photos = session.scalars(select(PhotoRow.sha256)).all()
        hatches = session.scalars(select(HatchRow.id)).all()
    return {
        "today": lambda: "/",
        "walk": lambda: "/walk",
        "walking": lambda: f"/walk/hatch/{random.choice(hatches)}?band={random.choice(bands)}",
        "sort": lambda: f"/sort?pile={random.choice(('settled', 'second_look'))}",
        "sort of a hatch": lambda: f"/sort?hatch={random.choice(hatches)}",
        "birds": lambda: f"/birds?start={random.randrange(len(bands))}",
        "a bird sought": lambda: f"/birds?band={random.choice(bands)}",
        "bird": lambda: f"/birds/{random.choice(bands)}",
        "photo": lambda: f"/photos/{random.choice(photos)}",
        "cross": lambda: f"/matings?sire={random.choice(bands)}&dam={random.choice(bands)}",
        "test mating": lambda: "/matings/test?scored=walnut&scored=rose",
        "ways": lambda: "/matings/ways",
        "flock": lambda: "/flock",
        "reader": lambda: "/reader",
        "state": lambda: "/sort/state",
    }


async def visit(
    client: httpx.AsyncClient,
    paths: dict[str, Callable[[], str]],
    until: float,
    taken: dict[str, list[float]],
    errors: list[str],
) -> None:
    """One user until the time is over."""
    await asyncio.sleep(random.uniform(0, THINK[1]))
    while time.monotonic() < until:
        kind = random.choice(list(paths))
        path = paths[kind]()
        start = time.monotonic()
        try:
            answer = await client.get(path)
            if answer.status_code != 200:
                errors.append(f"{path}: {answer.status_code}")
        except httpx.HTTPError as error:
            errors.append(f"{path}: {error!r}")
        taken[kind].append(time.monotonic() - start)
        await asyncio.sleep(random.uniform(*THINK))


async def reading(client: httpx.AsyncClient, data: bytes) -> tuple[float, float]:
    """Send a lot; seconds until it was kept, and until it was read."""
    start = time.monotonic()
    answer = await client.post("/photos", files={"files": ("lot.zip", data)}, timeout=600)
    kept = time.monotonic() - start
    assert answer.status_code in (200, 303), answer.status_code
    while True:
        state = (await client.get("/sort/state")).json()
        if not state["waiting"]:
            return kept, time.monotonic() - start
        await asyncio.sleep(1)


async def run(
    url: str, store: Store, users: int, seconds: float, photos: int
) -> tuple[dict[str, list[float]], list[str], list[tuple[float, float]]]:
    """All users and the lots at once."""
    taken: dict[str, list[float]] = defaultdict(list)
    errors: list[str] = []
    paths = choices(store)
    limits = httpx.Limits(max_connections=users + 5)
    async with httpx.AsyncClient(base_url=url, timeout=60, limits=limits) as client:
        await asyncio.sleep(SETTLE)
        for path in paths.values():  # what is worked out once and kept
            await client.get(path())
        until = time.monotonic() + seconds
        visits = [visit(client, paths, until, taken, errors) for _ in range(users)]
        (times, *_) = await asyncio.gather(readings(client, photos, until), *visits)
    return taken, errors, times or []


def main() -> None:
    """Build the flock, serve it, visit it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--users", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=300)
    parser.add_argument("--birds", type=int, default=10_000)
    parser.add_argument("--photos", type=int, default=200)
    args = parser.parse_args()
    random.seed(0)
    with tempfile.TemporaryDirectory() as name:
        settings = settings_in(Path(name))
        store = open_store(settings)
        filled(store, args.birds, max(1, args.birds // 250))
        grouped(store)
        # As the server will ask, so that nothing is left for it to work out at its start.
        refresh(store, default_reader().card.prior, date.today())
        catch_up(store)
        print("flock ready", flush=True)
        with served(settings) as url:
            taken, errors, lots = asyncio.run(
                run(url, store, args.users, args.seconds, args.photos)
            )
    everything = sorted(t for some in taken.values() for t in some)
    for kind, some in taken.items():
        print(f"{kind:18} {len(some):5} {line(some)}")
    print(f"{'all':18} {len(everything):5} {line(everything)}")
    for kept, read in lots:
        print(f"{args.photos} photos: kept after {kept:.1f} s, read after {read:.1f} s")
    print(f"{len(errors)} errors {errors[:5]}")
    sys.exit(bool(errors))


def line(some: list[float]) -> str:
    """Median, 95th percentile and longest in milliseconds."""
    ranked = sorted(some)
    late = ranked[min(len(ranked) - 1, int(0.95 * len(ranked)))]
    return (
        f"median {statistics.median(ranked) * 1000:6.0f} ms, 95 % below {late * 1000:6.0f} ms, "
        f"longest {ranked[-1] * 1000:6.0f} ms"
    )


if __name__ == "__main__":
    main()
