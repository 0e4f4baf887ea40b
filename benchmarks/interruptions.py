"""Every command that writes, killed (-9) at random moments and run on disks that fill up.

    python -m benchmarks.interruptions [--kills 200] [--full 50] [--seed 1]

Each time on a copy of a home with birds, photos, readings and accounts. Afterwards `verify` must
be clean, the records must be as before or as after the whole command, and what was acknowledged
(by exit 0) must be there. Full disks are small file systems in memory, which takes Linux and the
superuser. Prints what it found by command; exit 1 on any complaint.
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
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from benchmarks.fuzz import demo_backup
from service.errors import StoreError
from service.installation import open_store
from service.records.backup import dump_records, verify_backup
from service.records.verify import verify
from service.settings import Settings
from tests.conftest import ROOT
from tests.service.pictures import jpeg, picture

PASSWORD = "feather dust and grit"


def commands(folder: Path) -> dict[str, list[str]]:
    """Return the commands that write, by name; what they read lies in a folder."""
    return {
        "intake": ["intake", str(folder / "lot"), "--no-read"],
        "import": ["import", str(folder / "more.csv"), "--hatches", "--pens", "lives"],
        "new bird": ["note", "bird", "9", "--new", "--sire", "1", "--dam", "2"],
        "facts": ["note", "bird", "3", "--notes", "put right"],
        "band": ["note", "band", "1", "100"],
        "swap": ["note", "swap", "1", "2"],
        "import, all records": ["import", str(folder / "all.json"), "--replace"],
        "restore": ["restore", str(folder / "all.zip"), "--replace"],
        "backup": ["backup", "BACKUP"],
        "move": ["move", "DATABASE"],
        "pen": ["note", "pen", "South", "--bird", "1", "--since", "2026-01-01"],
        "hatch": ["note", "hatch", "Summer", "--eggs", "9", "--bird", "2"],
        "chicks": ["note", "chicks", "1", "2", "walnut=4"],
        "comb": ["note", "comb", "1.jpg", "walnut"],
        "photo": ["note", "photo", "1.jpg", "2"],
        "sighting": ["note", "sighting", "2", "--crest", "no"],
        "decision": ["note", "decision", "2", "keep", "--reason", "sound"],
        "undo": ["undo", "ACT"],
        "sweep": ["verify", "--tidy"],
        "account": ["access", "owner", "Eva"],
        "invitation": ["access", "invite", "read"],
    }


@dataclass(frozen=True)
class Home:
    """A prepared home that is copied for every try, and what the commands read."""

    folder: Path
    act: str

    def copy(self, to: Path) -> Settings:
        """Return a copy's settings."""
        shutil.copytree(self.folder / "home", to / "home")
        return Settings(to / "home", f"sqlite:///{to / 'home' / 'flock.sqlite3'}")


def prepare(folder: Path) -> Home:
    """Return a home with records of every kind."""
    store, _ = demo_backup(folder)
    with store.reading() as session:
        from service.records.audit_log import acts

        (folder / "all.json").write_text(dump_records(session))
        act = acts(session)[0].name
    store.engine.dispose()
    (folder / "lot").mkdir()
    for number in range(2, 8):
        (folder / "lot" / f"{number}.jpg").write_bytes(jpeg(picture(number)))
    rows = "".join(f"b{number},,,hen,2026-04-03,East\n" for number in range(300))
    (folder / "more.csv").write_text("bird,sire,dam,sex,hatched,pen\n" + rows)
    shutil.rmtree(folder / "home" / "backups", ignore_errors=True)
    return Home(folder, act)


def start(settings: Settings, words: list[str], home: Home, beside: Path) -> subprocess.Popen[str]:
    """Start a command on a home."""
    swap = {
        "BACKUP": str(beside / "new.zip"),
        "DATABASE": f"sqlite:///{beside / 'moved.sqlite3'}",
        "ACT": home.act,
    }
    environment = {
        **os.environ,
        "COMBWRIGHT_HOME": str(settings.home),
        "COMBWRIGHT_DATABASE": settings.database,
        "COMBWRIGHT_PASSWORD": PASSWORD,
    }
    command = [sys.executable, "-m", "service.cli", *(swap.get(word, word) for word in words)]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, env=environment, cwd=ROOT, stdout=pipe, stderr=pipe, text=True)


def counts(settings: Settings) -> tuple[dict[str, int], list[str]]:
    """Return rows by table, and what `verify` complains of."""
    from sqlalchemy import func, select

    from service.records.tables import ACCESS, JOURNALS, Base

    try:
        store = open_store(settings)
    except StoreError as error:
        return {}, [str(error)]
    try:
        wrong = [str(c) for c in verify(store).complaints if c.code != "verify_stray"]
        found = {}
        with store.reading() as session:
            for table in Base.metadata.sorted_tables:
                if table.name in (*JOURNALS[:2], *ACCESS[1:]) or "seal" in table.c:
                    continue  # journals grow photo by photo, answers are worked out again
                found[table.name] = session.scalar(select(func.count()).select_from(table)) or 0
        return found, wrong
    finally:
        store.engine.dispose()


def complaints_of(
    name: str,
    settings: Settings,
    beside: Path,
    before: dict[str, int],
    after: dict[str, int],
    acknowledged: bool,
) -> list[str]:
    """Return what is wrong after a command was broken off, or ended."""
    found, wrong = counts(settings)
    if name == "intake":  # photo by photo
        photos = found.get("photos", -1)
        if not before["photos"] <= photos <= after["photos"]:
            wrong.append(f"{photos} photos")
    elif found not in (before, after):
        wrong.append(f"neither as before nor as after: {found}")
    if acknowledged and found != after:
        wrong.append("acknowledged, but not there")
    target = beside / "new.zip"
    if name == "backup" and target.exists():
        try:
            verify_backup(target)
        except StoreError as error:
            wrong.append(str(error))
    return wrong


def undisturbed(home: Home, words: list[str]) -> tuple[float, dict[str, int]]:
    """Return how long a command takes, and rows by table afterwards."""
    with tempfile.TemporaryDirectory() as name:
        settings = home.copy(Path(name))
        begun = time.monotonic()
        process = start(settings, words, home, Path(name))
        _, said = process.communicate()
        seconds = time.monotonic() - begun
        if process.returncode:
            raise RuntimeError(f"{' '.join(words)}: {said}")
        return seconds, counts(settings)[0]


def kill(home: Home, name: str, words: list[str], share: float, seconds: float,
         before: dict[str, int], after: dict[str, int]) -> list[str]:  # fmt: skip
    """Kill a command after a share of its time; returns complaints."""
    with tempfile.TemporaryDirectory() as folder:
        beside = Path(folder)
        settings = home.copy(beside)
        process = start(settings, words, home, beside)
        try:
            process.communicate(timeout=share * seconds)
            done = process.returncode == 0
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            process.communicate()
            done = False
        return complaints_of(name, settings, beside, before, after, done)


def fill(home: Home, name: str, words: list[str], spare: int,
         before: dict[str, int], after: dict[str, int]) -> tuple[list[str], int]:  # fmt: skip
    """Run a command where so many bytes are free; returns complaints, and how it ended."""
    with tempfile.TemporaryDirectory() as folder:
        disk, out = Path(folder) / "disk", Path(folder) / "out"
        disk.mkdir()
        size = sum(p.stat().st_size + 8192 for p in (home.folder / "home").rglob("*")) + spare
        mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(disk)]
        subprocess.run(mount, check=True)
        try:
            settings = home.copy(disk)
            process = start(settings, words, home, disk)
            _, said = process.communicate()
            shutil.copytree(disk, out)
        finally:
            subprocess.run(["umount", str(disk)], check=True)
        copied = Settings(out / "home", f"sqlite:///{out / 'home' / 'flock.sqlite3'}")
        wrong = complaints_of(name, copied, out, before, after, process.returncode == 0)
        if "Traceback" in said or "unexpected" in said or "nobody foresaw" in said:
            wrong.append(said[-300:])
        return wrong, process.returncode


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--full", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng, wrong, ended = random.Random(asked.seed), 0, Counter[str]()
    with tempfile.TemporaryDirectory() as name:
        home = prepare(Path(name))
        every = commands(Path(name))
        with tempfile.TemporaryDirectory() as copy:
            before, unsound = counts(home.copy(Path(copy)))
        if unsound:
            raise RuntimeError(f"not sound to begin with: {unsound}")
        known = {command: undisturbed(home, words) for command, words in every.items()}
        for number in range(asked.kills):
            command = list(every)[number % len(every)]
            seconds, after = known[command]
            found = kill(
                home, command, every[command], rng.uniform(0.4, 1.02), seconds, before, after
            )
            wrong += len(found)
            for line in found:
                print(f"killed {command}: {line}", flush=True)
        for number in range(asked.full):
            command = list(every)[number % len(every)]
            spare = int(rng.choice((4_000, 40_000, 200_000, 600_000)) * rng.uniform(0.5, 2))
            found, code = fill(home, command, every[command], spare, before, known[command][1])
            ended[f"exit {code}"] += 1
            wrong += len(found)
            for line in found:
                print(f"full disk, {command}: {line}", flush=True)
    print(json.dumps({"kills": asked.kills, "full disks": asked.full, "ended": dict(ended)}))
    print(f"{wrong} complaints")
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
