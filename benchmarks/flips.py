"""Single bits flipped in the database at rest: is every one found that changes an answer?

    python -m benchmarks.flips [--flips 100] [--seed 1]

On the demo flock with its photos read. Bits are drawn from all pages of the file that are in use.
A flip is harmful if it changes what the records or the worked-out answers say; of those each must
be told, at once when the records are opened, where they are asked, or by `verify`. Exit 1
if one isn't.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sqlite3
import sys
import tempfile
from collections import Counter
from contextlib import closing
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError

sys.path.insert(0, str(Path(__file__).parent.parent))
from benchmarks.schema import demo_app
from service.errors import StoreError
from service.installation import open_store
from service.records.backup import dump_records
from service.records.database import Store
from service.records.tables import Base
from service.records.verify import verify
from service.settings import Settings

WORKED_OUT = ("answers", "piles", "hash_parts")


def everything(store: Store) -> str:
    """Return all that records and answers say, as text."""
    with store.reading() as session:
        rows = [dump_records(session)]
        for name in WORKED_OUT:
            table = Base.metadata.tables[name]
            query = select(table).order_by(*table.primary_key.columns)
            rows += map(str, session.execute(query).all())
    return "\n".join(rows)


def free_pages(file: Path) -> tuple[int, set[int]]:
    """Return the page size, and the numbers of the pages on the list of free ones."""
    data = file.read_bytes()
    size = int.from_bytes(data[16:18], "big") or 65536
    size = 65536 if size == 1 else size
    free, trunk = set(), int.from_bytes(data[32:36], "big")  # file format, section 1.5
    while trunk and trunk not in free:
        free.add(trunk)
        page = data[(trunk - 1) * size : trunk * size]
        count = int.from_bytes(page[4:8], "big")
        leaves = (page[8 + 4 * i : 12 + 4 * i] for i in range(count))
        free |= {int.from_bytes(leaf, "big") for leaf in leaves}
        trunk = int.from_bytes(page[:4], "big")
    return size, free


def outcome(settings: Settings, before: str) -> str:
    """Return what came of a flipped bit."""
    try:
        store = open_store(settings)
    except StoreError:
        return "told when opened"
    try:
        try:
            changed = everything(store) != before
        except (StoreError, SQLAlchemyError, ValueError, TypeError, KeyError):
            return "told when asked" if verify(store).complaints else "NOT FOUND"
        if verify(store).complaints:
            return "found by verify" if changed else "found, though harmless"
        return "NOT FOUND" if changed else "harmless"
    finally:
        store.engine.dispose()


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flips", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng, found = random.Random(asked.seed), Counter[str]()
    with tempfile.TemporaryDirectory() as name:
        home = Path(name) / "home"
        with demo_app(photos=39) as app:
            settings: Settings = app.state.settings
            shutil.copytree(settings.home, home)
        settings = Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")
        file = home / "flock.sqlite3"
        with closing(sqlite3.connect(file)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.execute("PRAGMA journal_mode=DELETE")
        store = open_store(settings)
        before, wrong = everything(store), verify(store).complaints
        store.engine.dispose()
        if wrong:
            raise RuntimeError(f"not sound to begin with: {wrong[0]}")
        whole, (size, free) = file.read_bytes(), free_pages(file)
        used = [page for page in range(len(whole) // size) if page + 1 not in free]
        for _ in range(asked.flips):
            at = rng.choice(used) * size + rng.randrange(size)
            data = bytearray(whole)
            data[at] ^= 1 << rng.randrange(8)
            for left in home.glob("flock.sqlite3-*"):
                left.unlink()
            file.write_bytes(data)
            said = outcome(settings, before)
            found[said] += 1
            if said == "NOT FOUND":
                print(f"byte {at} of page {at // size + 1}")
    print(f"{len(whole)} bytes, {len(used)} pages in use, {len(free)} free")
    for said, count in sorted(found.items()):
        print(f"{said}: {count}")
    sys.exit(bool(found["NOT FOUND"]))


if __name__ == "__main__":
    main()
