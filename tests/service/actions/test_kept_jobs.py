"""Jobs kept in PostgreSQL: done once though worker, server and database are killed."""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from datetime import date
from pathlib import Path

import httpx
import psycopg
import pytest
from sqlalchemy import func, select

from service.actions import jobs, kept_jobs
from service.actions.desk import Desk, Job
from service.actions.jobs import JOBS, Bench, do
from service.actions.kept_jobs import KeptJobs, KeptLearning, conninfo, work
from service.actions.learning_run import Progress
from service.actions.photos import Upload, take_in
from service.actions.readers import ReaderInUse
from service.errors import Clash, Refusal, StoreError, UsageMistake
from service.flock.flock_csv import load_flock
from service.installation import open_store
from service.model import default_reader, training_prior
from service.records.birds import take_in as take_list_in
from service.records.tables import AnswerRow, BirdRow, ReadingRow
from service.records.verify import verify
from service.settings import Settings
from tests.conftest import DEMO

ON = date(2026, 10, 4)
# A worker as the command is, but that misses others sooner.
WORKER = """
import sys
from service.actions import kept_jobs
kept_jobs.ALIVE, kept_jobs.AGAIN = 2.0, 0.5
from service.cli import main
main(["work", *sys.argv[1:]])
"""


def environment(settings):
    return {
        **os.environ,
        "COMBWRIGHT_HOME": str(settings.home),
        "COMBWRIGHT_DATABASE": settings.database,
    }


def worker(settings, *words):
    return subprocess.Popen(
        [sys.executable, "-c", WORKER, *words],
        env=environment(settings),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )


def until(true, seconds=90):
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        time.sleep(0.05)


def with_photos(settings, number):
    """The demo flock's list and some of its photos, not read yet; returns their hashes."""
    store = open_store(settings)
    with store.writing("Ann", "list") as session:
        take_list_in(session, load_flock(DEMO / "flock.csv"))
    desk, photos = Desk(store, training_prior(), "Ann", ON), []
    for path in sorted(DEMO.glob("*.jpg"))[:number]:
        with path.open("rb") as file:
            upload = Upload(path.name, path.stat().st_size, file)
            photos += take_in(desk, settings, [upload], "").photos
    return store, photos


def readings(store):
    with store.reading() as session:
        return Counter(session.scalars(select(ReadingRow.photo_sha256)))


def test_jobs_are_done_in_the_order_they_came_and_twice_does_no_harm(on_postgres):
    store, photos = with_photos(on_postgres, 3)
    kept = KeptJobs(on_postgres)
    try:
        for values in (photos[:1], photos, photos):
            kept.put(Job("photos", "Ann", ON, {"photos": values}))
        kept.put(Job("answers", "Ann", ON, {"bands": None}))
        work(Bench(store, on_postgres, ReaderInUse(store)), wait=False)
        assert readings(store) == dict.fromkeys(photos, 1)
        with store.reading() as session:
            birds = session.scalar(select(func.count()).select_from(BirdRow))
            assert session.scalar(select(func.count()).select_from(AnswerRow)) == birds
        done = [kept.of(name, "succeeded") for name in ("photos", "answers")]
        assert [len(jobs) for jobs in done] == [3, 1]
        assert verify(store).clean
    finally:
        kept.close()
        store.engine.dispose()


def test_one_learning_waits_and_can_be_taken_out(on_postgres):
    store = open_store(on_postgres)
    kept = KeptJobs(on_postgres)
    try:
        learning, desk = KeptLearning(kept, store), Desk(store, training_prior(), "Ann", ON)
        assert not learning.progress.running
        learning.begin(desk, on_postgres, default_reader())
        assert learning.progress.running
        with pytest.raises(Clash):
            learning.begin(desk, on_postgres, default_reader())
        with pytest.raises(Clash):
            kept.put(Job("learning", "Ben", ON))
        kept.put(Job("again", "Ann", ON))
        kept.put(Job("again", "Ann", ON))  # a second one would do the same
        assert len(kept.of("again", "todo")) == 1
        learning.stop()
        assert not learning.progress.running
        assert learning.progress.trouble.code == "learning_stopped"
        learning.begin(desk, on_postgres, default_reader())  # what came of the last one is over
        assert learning.progress.running
        assert learning.progress.trouble is None
    finally:
        kept.close()
        store.engine.dispose()


def test_learning_in_the_queue_tells_how_far_it_is_and_what_came_of_it(on_postgres, monkeypatch):
    store, seen = open_store(on_postgres), []
    kept, desk = KeptJobs(on_postgres), Desk(store, training_prior(), "Ann", ON)
    learning, bench = KeptLearning(kept, store), Bench(store, on_postgres, ReaderInUse(store))
    monkeypatch.setattr(jobs, "NOTED_EVERY", 0.0)

    def learned(desk, settings, reader, told):
        for step in (1, 2):
            told(step, 4)
            seen.append(learning.progress.share)
        return {"name": "0123abcd"}

    def too_few(desk, settings, reader, told):
        told(3, 4)
        raise Refusal("learning_already")

    def breaks(desk, settings, reader, told):
        raise ZeroDivisionError

    try:
        monkeypatch.setattr(jobs, "learn", learned)
        learning.begin(desk, on_postgres, default_reader())
        assert (learning.progress.running, learning.progress.share) == (True, 0.0)
        work(bench, wait=False)
        assert seen == [0.25, 0.5]
        assert learning.progress == Progress(name="0123abcd")
        monkeypatch.setattr(jobs, "learn", too_few)
        learning.begin(desk, on_postgres, default_reader())
        assert (learning.progress.name, learning.progress.done) == ("", 0)  # the last one is over
        work(bench, wait=False)
        assert not learning.progress.running
        assert learning.progress.trouble.code == "learning_already"
        monkeypatch.setattr(jobs, "learn", breaks)
        monkeypatch.setattr(kept_jobs, "TRIES", 1)
        learning.begin(desk, on_postgres, default_reader())
        end = time.monotonic() + 30
        while learning.progress.running and time.monotonic() < end:  # tried once more
            work(bench, wait=False)
        assert learning.progress.trouble.code == "learning_broke_off"
    finally:
        kept.close()
        store.engine.dispose()


def test_a_mistake_ends_a_job_and_a_lost_database_does_not(on_postgres, monkeypatch):
    store = open_store(on_postgres)
    kept, told = KeptJobs(on_postgres), []

    def learn(bench, desk, values, stop):
        told.append(desk.by)
        if len(told) == 1:
            raise Clash("learning_already")  # a refusal: nothing would come of doing it again
        if len(told) == 2:
            raise StoreError("no_database_server")

    monkeypatch.setitem(JOBS, "learning", learn)
    bench = Bench(store, on_postgres, ReaderInUse(store))
    try:
        kept.put(Job("learning", "Ann", ON))
        work(bench, wait=False)
        assert (told, len(kept.of("learning", "succeeded"))) == (["Ann"], 1)
        kept.put(Job("learning", "Ben", ON))
        end = time.monotonic() + 30
        while len(told) < 3 and time.monotonic() < end:
            work(bench, wait=False)
        assert len(kept.of("learning", "succeeded")) == 2
    finally:
        kept.close()
        store.engine.dispose()


def test_work_apart_needs_postgres_and_a_server_that_answers(tmp_path, combwright):
    with pytest.raises(UsageMistake, match="PostgreSQL"):
        conninfo(Settings(tmp_path, f"sqlite:///{tmp_path / 'f.sqlite3'}"))
    with pytest.raises(StoreError):
        KeptJobs(Settings(tmp_path, "postgresql://nobody@127.0.0.1:9/none"))
    for words in (["work"], ["serve", "--apart"], ["serve", "--workers", "2"]):
        run = combwright(*words)
        assert run.code == 2
        assert "PostgreSQL" in run.err or "--apart" in run.err


def test_every_job_can_be_done_by_name(tmp_path):
    settings = Settings(tmp_path, f"sqlite:///{tmp_path / 'f.sqlite3'}")
    store, photos = with_photos(settings, 1)
    bench = Bench(store, settings, ReaderInUse(store))
    do(bench, Job("photos", "Ann", ON, {"photos": photos}))
    do(bench, Job("again", "Ann", ON))
    assert readings(store) == {photos[0]: 1}
    with pytest.raises(KeyError):
        do(bench, Job("nothing", "Ann", ON))
    store.engine.dispose()


@pytest.mark.long
def test_a_worker_that_is_killed_leaves_its_job_to_another(on_postgres):
    store, photos = with_photos(on_postgres, 12)
    kept = KeptJobs(on_postgres)
    try:
        for start in (0, 6):
            kept.put(Job("photos", "Ann", ON, {"photos": photos[start : start + 6]}))
        first = worker(on_postgres)
        until(lambda: kept.of("photos", "doing"))
        os.kill(first.pid, signal.SIGKILL)
        first.communicate()
        assert kept.of("photos", "doing")  # nobody told the queue
        second = worker(on_postgres)
        until(lambda: len(kept.of("photos", "succeeded")) == 2)
        second.send_signal(signal.SIGINT)
        second.communicate(timeout=30)
        assert second.returncode == 0
        assert readings(store) == dict.fromkeys(photos, 1)
        assert verify(store).clean
    finally:
        kept.close()
        store.engine.dispose()


# --- a database server of one's own, to be killed ---

BIN = next(iter(sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)), None)


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


class Server:
    """A PostgreSQL of one's own."""

    def __init__(self, folder):
        self.folder, self.port = folder / "cluster", free_port()
        self.folder.mkdir()
        for place in (folder, *folder.parents):  # the server's own user must reach it
            if place.stat().st_uid == os.getuid() and place != Path("/"):
                place.chmod(place.stat().st_mode | 0o011)
        shutil.chown(self.folder, "postgres", "postgres")
        self.run("initdb", "-D", self.folder, "-A", "trust", "-U", "postgres", "--no-sync")
        self.start()

    def run(self, name, *words):
        done = subprocess.run(
            ["runuser", "-u", "postgres", "--", BIN / name, *map(str, words)],
            capture_output=True,
            text=True,
            cwd="/",
        )
        assert done.returncode == 0, done.stderr + done.stdout

    def start(self):
        options = f"-p {self.port} -k {self.folder}"
        log = self.folder / "log"
        self.run("pg_ctl", "-D", self.folder, "-l", log, "-w", "-o", options, "start")

    def kill(self):
        """Kill it and all its processes at once."""
        if not (self.folder / "postmaster.pid").exists():
            return
        number = int((self.folder / "postmaster.pid").read_text().splitlines()[0])
        children = [
            int(place.name)
            for place in Path("/proc").glob("[0-9]*")
            if parent_of(place) == str(number)
        ]
        for one in (number, *children):
            with contextlib.suppress(ProcessLookupError):  # some end by themselves
                os.kill(one, signal.SIGKILL)
        until(lambda: not Path(f"/proc/{number}").exists() or zombie(number))
        # Where nobody waits for orphans the dead one still has its number, and would be taken for
        # a running one.
        for left in (self.folder / "postmaster.pid", *self.folder.glob(".s.PGSQL.*")):
            left.unlink(missing_ok=True)
        time.sleep(0.3)

    @property
    def url(self):
        return f"postgresql://postgres@127.0.0.1:{self.port}/postgres"


def parent_of(place):
    try:
        return (place / "stat").read_text().rpartition(")")[2].split()[1]
    except OSError:
        return ""


def zombie(number):
    return (Path(f"/proc/{number}") / "stat").read_text().rpartition(")")[2].split()[0] == "Z"


@pytest.fixture
def server(tmp_path):
    if BIN is None or os.getuid() != 0 or not shutil.which("runuser"):
        pytest.skip("needs PostgreSQL's own programs and root")
    made = Server(tmp_path)
    yield made
    made.kill()


@pytest.mark.slow
def test_a_database_that_is_killed_loses_no_job(server, tmp_path):
    settings = Settings(tmp_path / "home", server.url)
    store, photos = with_photos(settings, 12)
    kept = KeptJobs(settings)
    for start in (0, 4, 8):
        kept.put(Job("photos", "Ann", ON, {"photos": photos[start : start + 4]}))
    running = worker(settings)
    until(lambda: kept.of("photos", "doing"))
    server.kill()
    with pytest.raises((StoreError, psycopg.Error)):
        psycopg.connect(server.url, connect_timeout=2)
    server.start()
    again = KeptJobs(settings)
    try:
        until(lambda: len(again.of("photos", "succeeded")) == 3, 120)
        running.send_signal(signal.SIGINT)
        running.communicate(timeout=30)
        fresh = open_store(settings)
        assert readings(fresh) == dict.fromkeys(photos, 1)
        assert verify(fresh).clean
        fresh.engine.dispose()
    finally:
        running.kill()
        for jobs in (kept, again):
            jobs.close()
        store.engine.dispose()


# --- many at once ---

WRITERS = """
import sys, threading
from service.installation import open_store
from service.records.tables import BirdRow
from service.settings import from_environment

store, number = open_store(from_environment()), int(sys.argv[1])
failed = []

def write(i):
    try:
        with store.writing(f"keeper {number}", "two birds") as session:
            for side in "ab":
                session.add(BirdRow(band=f"{number}-{i}{side}"))
                session.flush()
    except Exception as error:
        failed.append(repr(error))

threads = [threading.Thread(target=write, args=(i,)) for i in range(100)]
print("ready", flush=True)
sys.stdin.readline()
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
print(failed or "done", flush=True)
"""


@pytest.mark.slow
def test_two_hundred_writers_at_once_lose_nothing_and_nobody_sees_half_an_act(on_postgres):
    store = open_store(on_postgres)
    some = [
        subprocess.Popen(
            [sys.executable, "-c", WRITERS, str(number)],
            env=environment(on_postgres),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for number in range(2)
    ]
    for process in some:
        assert process.stdout.readline() == "ready\n"
    halves, over = [], threading.Event()

    def look():
        while not over.is_set():
            with store.reading() as session:
                bands = Counter(band[:-1] for band in session.scalars(select(BirdRow.band)))
            halves.extend(band for band, birds in bands.items() if birds != 2)

    onlooker = threading.Thread(target=look)
    onlooker.start()
    for process in some:
        process.stdin.write("go\n")
        process.stdin.flush()
    said = [process.communicate(timeout=120)[0] for process in some]
    over.set()
    onlooker.join()
    assert said == ["done\n"] * 2
    assert halves == []
    with store.reading() as session:
        assert session.scalar(select(func.count()).select_from(BirdRow)) == 400
    assert verify(store).clean
    store.engine.dispose()


@pytest.mark.long
def test_two_servers_behind_one_address_give_the_same_answers(on_postgres):
    store, photos = with_photos(on_postgres, 4)
    kept = KeptJobs(on_postgres)
    kept.put(Job("photos", "Ann", ON, {"photos": photos}))
    kept.put(Job("answers", "Ann", ON, {"bands": None}))
    work(Bench(store, on_postgres, ReaderInUse(store)), wait=False)
    port = free_port()
    words = ["serve", "--port", str(port), "--apart", "--workers", "2"]
    pages = subprocess.Popen(
        [sys.executable, "-m", "service.cli", *words],
        env=environment(on_postgres),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    address = f"http://127.0.0.1:{port}"

    def ask(path):
        return httpx.get(address + path, headers={"Connection": "close"}, timeout=30)

    def answers():
        try:
            return ask("/health").status_code == 200
        except httpx.HTTPError:
            return False

    try:
        until(answers)
        until(lambda: len(children_of(pages.pid)) >= 2)
        time.sleep(3)  # until both have loaded
        for path in ("/api/v1/birds", "/api/v1/birds/17", "/api/v1/sort", "/flock"):
            said = {ask(path).text for _ in range(20)}
            assert len(said) == 1, path
        seen = httpx.post(
            f"{address}/api/v1/birds/17/seen",
            json={"by": "Ann", "crest": False},
            timeout=30,
        )
        assert seen.status_code < 300, seen.text
        later = {ask("/api/v1/birds/17").text for _ in range(20)}
        assert len(later) == 1
        # What takes long is left to a worker, whoever of the two was asked.
        with (DEMO / "25.jpg").open("rb") as file:
            sent = httpx.post(
                f"{address}/api/v1/photos", files={"file": file}, data={"bird": "25"}, timeout=60
            )
        assert sent.status_code == 200, sent.text
        assert kept.of("answers", "todo")
        # One that dies is begun anew, and the other answers meanwhile.
        victim = children_of(pages.pid)[-1]
        os.kill(victim, signal.SIGKILL)
        assert all(ask("/health").status_code == 200 for _ in range(10))
        until(lambda: victim not in (now := children_of(pages.pid)) and len(now) >= 2)
    finally:
        pages.send_signal(signal.SIGINT)
        pages.communicate(timeout=60)
        kept.close()
        store.engine.dispose()


def children_of(number):
    """Processes that a server started to serve pages."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        words = (place / "cmdline").read_bytes() if parent_of(place) == str(number) else b""
        if b"spawn_main" in words:
            found.append(int(place.name))
    return sorted(found)
