"""How long the pages take with a large flock.

    python benchmarks/pages.py [--birds 4000] [--rounds 9]

The records are those of `benchmarks/records.py`: four readings a bird, candidates worked out. The
server is a process of its own; each page is asked for so many times, one request at a time. Prints
medians and the longest in milliseconds, and how large the page is.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import httpx
from sqlalchemy import select

sys.path.insert(0, str(Path(__file__).parent.parent))
from benchmarks.load import SETTLE, grouped
from benchmarks.records import filled
from benchmarks.served import running
from service.answers.queue import catch_up
from service.answers.refresh import refresh
from service.installation import open_store
from service.model import default_reader
from service.records.tables import BirdRow
from service.settings import Settings

PAGES = {
    "first page": "/",
    "birds": "/birds",
    "birds, worst risk first": "/birds?order=risk",
    "birds, narrowed down": "/birds?decision=none&crest=none&pile=second_look",
    "a bird": "/birds/{band}",
    "sorting table": "/sort",
    "one bird to sort": "/sort/one",
    "walks": "/walk",
    "photos without a bird": "/assign",
    "flock": "/flock",
    "candidates at a glance": "/flock/progress",
    "the flock as CSV": "/birds.csv",
}


def main() -> None:
    """Fill records, ask for every page, print how long they took."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--birds", type=int, default=4000)
    parser.add_argument("--rounds", type=int, default=9)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        settings = Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")
        store = open_store(settings)
        filled(store, args.birds, max(1, args.birds // 250))
        grouped(store)
        catch_up(store)
        refresh(store, default_reader().card.prior, date.today())
        with store.reading() as session:
            query = select(BirdRow.band).order_by(BirdRow.id).offset(args.birds // 2).limit(1)
            band = session.scalar(query)
        with running(settings) as server:
            time.sleep(SETTLE)
            with httpx.Client(base_url=server.url, timeout=120) as client:
                for name, path in PAGES.items():
                    took, size = [], 0
                    for _ in range(args.rounds):
                        path = path.format(band=band)
                        begun = time.perf_counter()
                        answer = client.get(path)
                        took.append(1000 * (time.perf_counter() - begun))
                        answer.raise_for_status()
                        size = len(answer.content)
                    middle, longest = statistics.median(took), max(took)
                    print(f"{name:28} {middle:6.0f} ms, {longest:6.0f} at most, {size // 1000} kB")


if __name__ == "__main__":
    main()
