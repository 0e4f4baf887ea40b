"""Many photographs in parts: each read once, as one by one, whatever is killed in between."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from classifier.photo import PhotoError
from service.bulk import photo_places
from service.bulk.photo_places import Address, digest_of, open_at, photos_at
from service.bulk.readings import (
    DONE,
    PLAN,
    PartReader,
    ReaderToLoad,
    Work,
    processes,
    read_parts,
)
from service.bulk.shelf import Shelf
from service.errors import BatchError, Refusal, StoreError, UsageMistake
from service.model import default_reader
from tests.conftest import DEMO


@pytest.fixture
def lot(tmp_path):
    """Ten photos in two folders, one that is none, a note and a hidden file."""
    folder = tmp_path / "photos"
    (folder / "more").mkdir(parents=True)
    there = [path for path in sorted(DEMO.glob("*.jpg"))][:10]
    for number, path in enumerate(there):
        shutil.copy(path, folder / ("more" if number % 2 else ".") / path.name)
    (folder / "broken.jpg").write_bytes(b"not a photo")
    (folder / "note.txt").write_text("no photo")
    (folder / ".hidden.jpg").write_bytes(b"x")
    return folder


def in_use():
    return ReaderToLoad(default_reader().card.model)


def lines_in(folder):
    return [json.loads(row["json"]) for row in pq.read_table(folder).to_pylist()]


def printed(combwright, folder):
    run = combwright("read", *(a.name for a in photos_at([str(folder)])), "--json")
    return run.lines


def test_places_are_looked_through_and_each_photo_counts_once(lot):
    found = photos_at([str(lot), str(lot / "more")])
    assert [a.name for a in found] == sorted(a.name for a in found)
    assert len(found) == 11
    assert digest_of(found) == digest_of(photos_at([str(lot)]))
    os.utime(lot / "broken.jpg", (1, 1))
    assert digest_of(found) != digest_of(photos_at([str(lot)]))
    with pytest.raises(BatchError, match="nowhere"):
        photos_at([str(lot / "nowhere")])
    (lot / "empty").mkdir()
    with pytest.raises(BatchError):
        photos_at([str(lot / "empty")])
    with pytest.raises(UsageMistake, match="gibberish"):
        photos_at(["gibberish://x/y"])


@pytest.mark.parametrize("jobs", [1, 2])
def test_read_into_files_says_what_read_prints(lot, tmp_path, combwright, jobs):
    out = tmp_path / "out"
    told = []
    done = read_parts(
        photos_at([str(lot)]), str(out), in_use(), "en", processes(jobs), told.append, part=4
    )
    assert (done["photos"], done["unread"], done["parts"], done["parts_before"]) == (11, 1, 3, 0)
    assert sum(told) == 11
    # Parts of another size read other photos together: the printed digits stay.
    assert lines_in(out) == printed(combwright, lot)
    assert json.loads((out / DONE).read_text())["photos"] == 11
    table = pq.read_table(out).to_pylist()
    bad = next(row for row in table if not row["ok"])
    assert bad["error"].startswith("not a picture")
    assert bad["comb"] is None


def test_a_run_that_was_broken_off_goes_on_with_what_lacks(lot, tmp_path):
    out, photos = tmp_path / "out", photos_at([str(lot)])
    read_parts(photos, str(out), in_use(), "en", processes(1), lambda n: None, part=4)
    before = {p.name: p.stat().st_mtime_ns for p in out.glob("*.parquet")}
    lines = lines_in(out)
    second = sorted(before)[1]
    (out / second).unlink()
    told = []
    done = read_parts(photos, str(out), in_use(), "en", processes(1), told.append, part=4)
    assert (done["parts_before"], done["photos"], told) == (2, 11, [7, 4])
    after = {p.name: p.stat().st_mtime_ns for p in out.glob("*.parquet")}
    assert {n for n in after if after[n] != before[n]} == {second}
    assert lines_in(out) == lines


@pytest.mark.parametrize(
    ("change", "named"),
    [("photos", "photos"), ("model", "model"), ("language", "language"), ("part", "part")],
)
def test_another_lot_or_reader_is_refused(lot, tmp_path, change, named):
    out, photos = tmp_path / "out", photos_at([str(lot)])
    reader, language, part = in_use(), "en", 4

    def no_engine(*given):
        raise AssertionError("nothing may be read")

    (tmp_path / "out").mkdir()
    plan = {"photos": 11, "digest": digest_of(photos), "part": 4, "model": reader.model}
    plan |= {"language": "en", "schema": "plan/1"}
    (out / PLAN).write_text(json.dumps(plan))
    photos = photos[:10] if change == "photos" else photos
    reader = replace(reader, model="other") if change == "model" else reader
    language = "de" if change == "language" else language
    part = 5 if change == "part" else part
    with pytest.raises(Refusal, match=named):
        read_parts(photos, str(out), reader, language, no_engine, lambda n: None, part)


def test_paths_are_those_of_where_the_command_was_given(lot, tmp_path, monkeypatch):
    monkeypatch.chdir(lot)
    photos = photos_at(["more"])
    work = Work(0, "x.parquet", tuple(photos))
    monkeypatch.chdir("/")  # where a worker may stand
    assert all(open_at(address).name for address in Work.from_text(work.as_text()).photos)
    assert photos[0].name.startswith("more/")
    monkeypatch.chdir(tmp_path)
    assert Shelf("out").place == str(tmp_path / "out")


def test_a_folder_with_other_files_or_a_file_is_refused(lot, tmp_path):
    photos = photos_at([str(lot)])
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "mine.parquet").write_bytes(b"x")
    (tmp_path / "b").write_text("a file")
    for place, error in ((tmp_path / "a", Refusal), (tmp_path / "b", StoreError)):
        with pytest.raises(error):
            read_parts(photos, str(place), in_use(), "en", processes(1), lambda n: None)
    (tmp_path / "c").mkdir()
    (tmp_path / "c" / PLAN).write_text("[]")
    with pytest.raises(StoreError, match="remove it"):
        Shelf(str(tmp_path / "c")).get_json(PLAN)


@pytest.fixture
def failures(monkeypatch):
    """What the next openings of any address raise, in order; none left: the photo's bytes."""
    photo, waiting = sorted(DEMO.glob("*.jpg"))[0], []

    def bytes_at(address):
        if waiting:
            raise waiting.pop()
        return photo.read_bytes()

    monkeypatch.setattr(photo_places, "bytes_at", bytes_at)
    monkeypatch.setattr(photo_places, "PAUSE", 0.0)
    return waiting


def test_what_a_net_does_to_a_photo_is_tried_again(failures):
    failures += [OSError("reset"), OSError("reset again")]
    assert open_at(Address("s3://x/a.jpg", 9, "")).name == "a.jpg"
    assert not failures
    failures += [OSError("gone")] * 3
    with pytest.raises(PhotoError) as error:
        open_at(Address("s3://x/a.jpg", 9, ""))
    assert error.value.code == "photo_unreachable"
    failures[:] = [FileNotFoundError("x")]
    with pytest.raises(PhotoError, match="no such file"):
        open_at(Address("s3://x/a.jpg", 9, ""))
    with pytest.raises(PhotoError, match="MB"):
        open_at(Address("s3://x/a.jpg", 10**9, ""))


def test_what_s3s_own_library_raises_where_nobody_answers_is_no_oserror(failures):
    raised = pytest.importorskip("botocore.exceptions").EndpointConnectionError
    assert not issubclass(raised, OSError)
    failures += [raised(endpoint_url="http://x")] * 3
    with pytest.raises(PhotoError) as error:
        open_at(Address("s3://x/a.jpg", 9, ""))
    assert error.value.code == "photo_unreachable"


def test_another_version_at_a_worker_is_refused():
    with pytest.raises(Refusal, match="other version"):
        PartReader(ReaderToLoad("other version"), "x", "en")


@pytest.mark.slow
def test_photos_and_readings_may_lie_in_an_object_store(bucket, lot, tmp_path, combwright):
    bucket.put(str(lot), "flock/photos", recursive=True)
    photos = photos_at(["s3://flock/photos"])
    assert len(photos) == 11
    done = read_parts(
        photos, "s3://flock/out", in_use(), "en", processes(1), lambda n: None, part=4
    )
    assert done["photos"] == 11
    assert done["unread"] == 1
    bucket.get("flock/out", str(tmp_path / "out"), recursive=True)
    local = {Path(line["photo"]).name: line for line in printed(combwright, lot)}
    for line in lines_in(tmp_path / "out"):
        name = Path(line.pop("photo")).name
        local[name].pop("photo")
        assert line == local[name]
    bucket.rm("flock/out/readings-000002-of-000003.parquet")
    told = []
    read_parts(photos, "s3://flock/out", in_use(), "en", processes(1), told.append, part=4)
    assert told == [7, 4]


# --- Ray ---

DRIVER = """
import sys
from service.bulk.photo_places import photos_at
from service.bulk.ray_engine import ray_data
from service.bulk.readings import ReaderToLoad, read_parts
from service.model import default_reader

done = read_parts(
    photos_at([sys.argv[1]]), sys.argv[2], ReaderToLoad(default_reader().card.model), "en",
    ray_data(2), lambda photos: None, part=1,
)
print(done["photos"], done["unread"], done["parts_before"], flush=True)
"""


def driver(lot, out):
    return subprocess.Popen(
        [sys.executable, "-c", DRIVER, str(lot), str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    )


def parts(out, least):
    """Wait for so many parts."""
    until = time.monotonic() + 120
    while len(found := list(out.glob("*.parquet"))) < least:
        assert time.monotonic() < until
        time.sleep(0.02)
    return found


def workers(of):
    """Numbers of the processes that read for a driver's Ray, as /proc shows them."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        try:
            words = (place / "cmdline").read_bytes().replace(b"\0", b" ").decode()
            if "RayWorker" in words and session_of(place) == session_of(Path(f"/proc/{of}")):
                found.append(int(place.name))
        except (OSError, IndexError):
            continue
    return found


def session_of(place):
    return (place / "stat").read_text().rpartition(")")[2].split()[3]


def end(process):
    """End a driver and all that it started."""
    for place in Path("/proc").glob("[0-9]*"):
        try:
            if session_of(place) == str(process.pid):
                os.kill(int(place.name), signal.SIGKILL)
        except (OSError, IndexError):
            continue
    process.wait()
    process.stdout.close()


@pytest.mark.slow
def test_ray_reads_what_read_prints(lot, tmp_path, combwright):
    running = driver(lot, tmp_path / "out")
    said, _ = running.communicate(timeout=240)
    assert said.split()[:2] == ["11", "1"]
    lines = lines_in(tmp_path / "out")
    assert len(lines) == 11
    assert {line["photo"]: line for line in lines} == {
        line["photo"]: line for line in printed(combwright, lot)
    }


@pytest.mark.long
def test_ray_reads_every_photo_once_though_a_worker_and_the_driver_are_killed(
    lot, tmp_path, combwright
):
    for number in range(3):  # enough that something is left when it is killed
        for path in sorted(DEMO.glob("*.jpg"))[10:]:
            shutil.copy(path, lot / f"{number}-{path.name}")
    out = tmp_path / "out"
    first = driver(lot, out)
    parts(out, 4)
    (victim, *_) = workers(first.pid)
    os.kill(victim, signal.SIGKILL)
    parts(out, len(parts(out, 5)) + 8)  # goes on without it
    assert victim not in workers(first.pid)
    assert first.poll() is None
    end(first)
    kept = {p.name: p.stat().st_mtime_ns for p in out.glob("*.parquet")}
    second = driver(lot, out)
    said, _ = second.communicate(timeout=240)
    total = 11 + 3 * 29
    assert said.split() == [str(total), "1", str(len(kept))]
    assert all((out / name).stat().st_mtime_ns == when for name, when in kept.items())
    lines = lines_in(out)
    assert len({line["photo"] for line in lines}) == len(lines) == total
    # Read one at a time, others than the neighbours of `read`: the printed digits stay.
    assert {line["photo"]: line for line in lines} == {
        line["photo"]: line for line in printed(combwright, lot)
    }
    end(second)


def test_the_command_refuses_what_does_not_go_together(lot, tmp_path, combwright):
    for given, says in (
        (("--engine", "ray"), "add --out"),
        (("--gpus", "1"), "add --out"),
        (("--out", tmp_path / "o", "--all-heads"), "leave out"),
        (("--out", tmp_path / "o", "--address", "x"), "add --out"),
    ):
        run = combwright("read", lot, *given)
        assert run.code == 2
        assert says in run.err
    run = combwright("read", lot, "--out", tmp_path / "o", "--jobs", "1", "--json")
    assert run.code == 1  # one is no photo
    assert run.lines == [
        {
            "folder": str(tmp_path / "o"),
            "photos": 11,
            "unread": 1,
            "parts": 1,
            "parts_before": 0,
            "schema": "read/1",
        }
    ]
