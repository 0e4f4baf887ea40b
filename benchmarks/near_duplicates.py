"""A new photo among many kept ones: how long until it is stored, near-duplicates looked for.

    python -m benchmarks.near_duplicates [--kept 100000] [--photos demo_images] [--url postgresql://...]

Fills records with so many photos (rows with perceptual hashes drawn at random, no files), then
takes real photos in, one at a time, and prints the milliseconds of the whole way (decoded, cleaned,
hashed, kept, entered) and of its last part alone: what a writer holds the records for. Beside it,
what comparing with all kept hashes would take.
"""

from __future__ import annotations

import argparse
import secrets
import statistics
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import insert, select

from service.installation import open_store
from service.records.database import Store, lots
from service.records.intake import journal
from service.records.intake.journal import Options
from service.records.intake.near_duplicates import distance, index_all
from service.records.intake.sources import files_of
from service.records.tables import PhotoRow
from service.settings import Settings


def fill(store: Store, number: int) -> None:
    """Enter so many photos that are no more than their rows."""
    now = datetime.now(UTC)
    rows = [
        {
            "sha256": f"{i:064x}",
            "source_sha256": f"{i:064x}",
            "name": f"{i}.jpg",
            "suffix": ".jpg",
            "bytes": 1,
            "taken_in": now,
            "likeness": secrets.token_hex(8),
            "like": "",
        }
        for i in range(number)
    ]
    with store.writing("Ann", "photos") as session:
        for some in lots(rows):
            session.execute(insert(PhotoRow), list(some))
        index_all(session)


def milliseconds(values: list[float]) -> str:
    """Median and largest of some seconds."""
    return f"{statistics.median(values) * 1000:.0f} ms (at most {max(values) * 1000:.0f})"


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kept", type=int, default=100_000)
    parser.add_argument("--photos", type=Path, default=Path("demo_images"))
    parser.add_argument("--url", default="")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        url = given.url or f"sqlite:///{home / 'flock.sqlite3'}"
        store = open_store(Settings(home, url))
        fill(store, given.kept)
        whole: list[float] = []
        stored: list[float] = []
        enter = journal.one_alone

        def timed(*values: object) -> object:
            prepare = journal.prepare
            spent = []

            def prepared(*some: object) -> object:
                start = time.perf_counter()
                try:
                    return prepare(*some)  # type: ignore[arg-type]
                finally:
                    spent.append(time.perf_counter() - start)

            journal.prepare = prepared  # type: ignore[assignment]
            start = time.perf_counter()
            try:
                return enter(*values)  # type: ignore[arg-type]
            finally:
                journal.prepare = prepare
                whole.append(time.perf_counter() - start)
                stored.append(whole[-1] - sum(spent))

        journal.one_alone = timed  # type: ignore[assignment]
        source, files = files_of([given.photos])
        journal.run(store, source, files, Options("Ann", codes=False))
        print(f"{given.kept:,} kept photos, {len(whole)} new ones ({store.engine.dialect.name})")
        print(f"decoded, cleaned and stored: {milliseconds(whole[1:])}")
        print(f"stored: {milliseconds(stored[1:])}")
        with store.reading() as session:
            start = time.perf_counter()
            code = "0123456789abcdef"
            sum(distance(code, other) <= 6 for other in session.scalars(select(PhotoRow.likeness)))
        print(f"compared with all kept ones instead: {milliseconds([time.perf_counter() - start])}")


if __name__ == "__main__":
    main()
