"""Kill -9 at random moments of an intake and of an import: is anything lost?

    python benchmarks/crashes.py [--kills 200] [--photos 300] [--database URL]

Photos are made up. After every kill the store is verified as a restart would find it, and every
photo whose keeping had been acknowledged must be there. Prints what it found; exit 1 on any loss.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from sqlalchemy import func, select

sys.path.insert(0, str(Path(__file__).parent.parent))
from service.installation import open_store
from service.records.database import Store
from service.records.intake.journal import tidy
from service.records.tables import BirdRow, ItemRow, PhotoRow
from service.records.verify import verify
from service.settings import Settings
from tests.service.pictures import jpeg, picture


def started(arguments: list[str], settings: Settings) -> subprocess.Popen[str]:
    """Return a process of the command line on this store."""
    environment = {
        **os.environ,
        "COMBWRIGHT_HOME": str(settings.home),
        "COMBWRIGHT_DATABASE": settings.database,
    }
    command = [sys.executable, "-m", "service.cli", *arguments]
    return subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)


def killed(process: subprocess.Popen[str], seconds: float) -> tuple[list[str], bool]:
    """Its complete lines of output until it ended or was killed, and whether it ended."""
    try:
        out, _ = process.communicate(timeout=seconds)
        return out.splitlines(), process.returncode == 0
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        out, _ = process.communicate()
        return [line for line in out.split("\n")[:-1]], False


def intake(store: Store, settings: Settings, folder: Path, photos: int, kills: int) -> int:
    """Kill an intake, begun anew each time it gets through; returns how many complaints."""
    rng, done, complaints, rounds = random.Random(1), 0, 0, 0
    acknowledged: set[str] = set()
    arguments = ["intake", str(folder), "--no-read", "--json"]
    start = time.monotonic()
    process = started(arguments, settings)
    assert process.stdout is not None
    process.stdout.readline()
    first = time.monotonic() - start
    process.communicate()
    whole = time.monotonic() - start
    reset(store, settings)
    while done < kills:
        # From just before the first photo is kept to where half of them would be.
        seconds = rng.uniform(0.8 * first, first + 0.5 * (whole - first))
        lines, ended = killed(started(arguments, settings), seconds)
        done += not ended
        acknowledged |= {json.loads(line)["sha256"] for line in lines} - {""}
        tidy(store)
        found = list(map(str, verify(store).complaints))
        with store.reading() as session:
            kept = set(session.scalars(select(PhotoRow.sha256)))
        found += [f"acknowledged, but lost: {lost}" for lost in acknowledged - kept]
        complaints += len(found)
        for line in found:
            print(line)
        if ended:
            rounds += 1
            complaints += len(kept) != photos
            with store.reading() as session:
                waiting = session.scalar(
                    select(func.count()).where(ItemRow.state == "waiting").select_from(ItemRow)
                )
            complaints += waiting != 0
            reset(store, settings)
            acknowledged.clear()
    print(
        f"intake of {photos} photos (first one after {first:.1f} s, all after {whole:.1f} s): "
        f"{done} kills, {rounds} times through"
    )
    return complaints


def imports(store: Store, settings: Settings, path: Path, birds: int, kills: int) -> int:
    """Kill an import; returns how many times the store held neither all nor nothing."""
    rng, done, complaints, whole_ones = random.Random(2), 0, 0, 0
    start = time.monotonic()
    killed(started(["import", str(path), "--json"], settings), 600)
    whole = time.monotonic() - start
    reset(store, settings)
    while done < kills:
        _, ended = killed(
            started(["import", str(path), "--json"], settings), rng.uniform(0.3, whole)
        )
        done += not ended
        with store.reading() as session:
            count = session.scalar(select(func.count()).select_from(BirdRow))
        complaints += count not in (0, birds)
        complaints += len(verify(store).complaints)
        if count:
            whole_ones += 1
            reset(store, settings)
    print(
        f"import of {birds} birds ({whole:.1f} s undisturbed): {done} kills, whole after "
        f"{whole_ones} runs, nothing there after the others"
    )
    return complaints


def reset(store: Store, settings: Settings) -> None:
    """Empty the store, which stays the one that it is."""
    from sqlalchemy import delete

    from service.records.tables import Base, IdentityRow

    with store.writing("benchmark", "reset") as session:
        for table in reversed(Base.metadata.sorted_tables):
            if table.name != IdentityRow.__tablename__:
                session.execute(delete(table))
    shutil.rmtree(settings.photos, ignore_errors=True)


def main() -> None:
    """Kill intakes and imports; exit 1 if anything was lost."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--photos", type=int, default=300)
    parser.add_argument("--database", default="")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        settings = Settings(home, args.database or f"sqlite:///{home / 'flock.sqlite3'}")
        store = open_store(settings)
        folder = home / "lot"
        folder.mkdir()
        for i in range(args.photos):
            (folder / f"{i}.jpg").write_bytes(jpeg(picture(i)))
        complaints = intake(store, settings, folder, args.photos, args.kills)
        table = home / "flock.csv"
        rows = ["bird,sire,dam,sex,comb", "C,,,cock,walnut", "H,,,hen,single"]
        rows += [f"b{i},C,H,,walnut" for i in range(1998)]
        table.write_text("\n".join(rows) + "\n")
        complaints += imports(store, settings, table, 2000, args.kills)
    print(f"{store.engine.dialect.name}: {complaints} complaints")
    sys.exit(complaints > 0)


if __name__ == "__main__":
    main()
