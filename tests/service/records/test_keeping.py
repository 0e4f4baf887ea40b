"""Records kept safe: sealed, backed up by themselves, moved, and looked at where nothing can be
written."""

import json
import os
import random
import shutil
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import select, text

from classifier.reading import judge
from service.actions.access import add_account, all_accounts
from service.actions.desk import Desk
from service.actions.flock import note_hatch
from service.actions.keeping import bring_back, move_records
from service.actions.lists import import_list, undo
from service.errors import Clash, StoreError
from service.installation import open_store
from service.records.backup import backup, parse_records, restore, verify_backup
from service.records.birds import take_in
from service.records.exchange.exporting import export_as
from service.records.intake.journal import Options, run
from service.records.intake.sources import File
from service.records.kept_backups import BEFORE, DAYS, WEEKS, daily, rotate
from service.records.tables import BirdRow, ChangeRow, HatchRow, ReadingRow
from service.records.verify import verify
from service.settings import Settings
from tests.conftest import ROOT
from tests.readings import clear_reading
from tests.service.pictures import jpeg, picture
from tests.service.records.older import tables_of

LIST = "bird,sire,dam,sex,hatched,comb\n1,,,cock,2024-03-01,walnut\n2,,,hen,2024-03-02,single\n"
MORE = "3,1,2,,2025-04-05,walnut\n4,1,2,,2025-04-05,pea\n"
DAY = date(2026, 10, 4)


def desk_at(store, by="Ada"):
    from service.model import training_prior

    return Desk(store, training_prior(), by, DAY)


@pytest.fixture
def full(store):
    """Birds, a hatch, photos with readings of a model and a person, answers and piles."""
    from service.answers.queue import catch_up
    from service.records.readings import row_from_person, row_from_reading

    import_list(desk_at(store), (LIST + MORE).encode(), "flock.csv")
    run(
        store, "lot", [File(f"{n}.jpg", lambda n=n: jpeg(picture(n))) for n in (1, 2, 3)], Options()
    )
    with store.writing("Ada", "looks") as session:
        from service.records.tables import PhotoRow

        for photo in session.scalars(select(PhotoRow)):
            photo.readings.append(
                row_from_reading(judge(clear_reading(photo=photo.name)), datetime.now(UTC))
            )
            photo.readings.append(row_from_person("Ada", datetime.now(UTC), "walnut"))
    note_hatch(desk_at(store), "Spring", "North", date(2025, 4, 5), 12, 8, ["3", "4"])
    catch_up(store)
    return store


def test_whole_records_have_nothing_to_complain_of(full):
    assert verify(full).complaints == ()


def test_a_new_hatch_can_be_undone(full):
    act = note_hatch(desk_at(full), "Summer", "South", date(2025, 6, 1), 10, 7, [])
    with full.reading() as session:
        newest = session.scalars(
            select(ChangeRow).where(ChangeRow.kind == "hatches").order_by(ChangeRow.id.desc())
        ).first()
        row = session.scalar(select(HatchRow).where(HatchRow.name == "Summer"))
        assert (newest.after["eggs"], newest.after["pen_id"]) == (10, row.pen_id)
    undo(desk_at(full), act.name)
    with full.reading() as session:
        assert session.scalar(select(HatchRow).where(HatchRow.name == "Summer")) is None
    assert verify(full).complaints == ()


SILENT = {
    "birds": "UPDATE birds SET comb = 'rose' WHERE band = '3'",
    "hatches": "UPDATE hatches SET eggs = 13",
    "readings": "UPDATE readings SET comb = 'single' WHERE person",
    "photos": "UPDATE photos SET bird_id = 2 WHERE id = 1",
    "trail": "UPDATE changes SET \"by\" = 'Eve' WHERE id = 2",
    "trail cut": "DELETE FROM changes WHERE id = 2",
    "row gone": "DELETE FROM birds WHERE band = '4'",
    "row new": "INSERT INTO pens (name, notes) VALUES ('West', '')",
    "answers": "UPDATE answers SET in_conflict = NOT in_conflict WHERE bird_id = 3",
    "piles": "UPDATE piles SET risk = risk / 2",
    "index": "DELETE FROM hash_parts WHERE part = 0",
    "words": "UPDATE birds SET sex = 'hem' WHERE band = '2'",
}


@pytest.mark.parametrize("change", SILENT)
def test_what_is_changed_behind_the_trail_is_found(full, change):
    with full.engine.begin() as connection:
        if change == "row gone":
            connection.execute(text("DELETE FROM answers"))
        connection.execute(text(SILENT[change]))
    assert verify(full).complaints != ()


def test_a_single_bit_that_changes_an_answer_is_found(tmp_path):
    """Flipped in the database's file, in pages that are in use. Of those that change what an
    export says, all are found."""
    settings = Settings(tmp_path / "home", f"sqlite:///{tmp_path / 'home' / 'flock.sqlite3'}")
    store = open_store(settings)
    import_list(desk_at(store), (LIST + MORE).encode(), "flock.csv")
    note_hatch(desk_at(store), "Spring", "North", date(2025, 4, 5), 12, 8, ["3", "4"])
    before = export_as(store, "json")
    with store.engine.begin() as connection:
        connection.execute(text("SELECT 1"))
    store.engine.dispose()
    file = settings.home / "flock.sqlite3"
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode=DELETE")
    whole, rng, harmful = file.read_bytes(), random.Random(7), 0
    used = [at for at, byte in enumerate(whole) if byte]
    for _ in range(100):
        data = bytearray(whole)
        at = rng.choice(used)
        data[at] ^= 1 << rng.randrange(8)
        file.write_bytes(data)
        try:
            damaged = open_store(settings)
        except StoreError:
            continue  # told at once
        try:
            try:
                changed = export_as(damaged, "json") != before
            except StoreError:
                continue  # told where it is asked
            if changed:
                harmful += 1
                assert verify(damaged).complaints, f"byte {at}"
        finally:
            damaged.engine.dispose()
            for left in settings.home.glob("flock.sqlite3-*"):
                left.unlink()
    assert harmful > 3


def test_an_older_version_is_copied_before_its_tables_change(tmp_path):
    settings = Settings(tmp_path / "home", f"sqlite:///{tmp_path / 'home' / 'flock.sqlite3'}")
    with tables_of(settings, "0005") as connection:
        connection.execute(
            text(
                "INSERT INTO birds (band, sire, dam, sex, comb, comb_by, wattles, genotype, notes,"
                " variety, status, photo, extra) VALUES"
                " ('7', '', '', '', '', '', '', '', '', '', '', '', '{}')"
            )
        )
    store = open_store(settings)
    assert verify(store).complaints == ()  # a bird without a line got one
    with store.reading() as session:
        act = session.scalars(select(ChangeRow.act)).one()
    with pytest.raises(Clash):
        undo(desk_at(store), act)
    store.engine.dispose()
    (copy,) = settings.backups.glob("before-migration-from-0005-*.sqlite3")
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("SELECT band FROM birds").fetchall() == [("7",)]
        assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == ("0005",)


def test_a_newer_version_is_told(settings):
    store = open_store(settings)
    with store.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    store.engine.dispose()
    with pytest.raises(StoreError, match="newer version"):
        open_store(settings)


def test_each_day_of_use_is_backed_up_once_and_old_ones_go(full):
    first = daily(full, full.backups, DAY)
    assert first is not None
    assert daily(full, full.backups, DAY) is None
    assert verify_backup(first) == []  # records alone: their photos stay where they are
    for days in range(1, 80):
        shutil.copy(first, full.backups / f"day-{DAY - timedelta(days=days)}.zip")
    for number in range(BEFORE + 3):
        (full.backups / f"before-restore-{number}.zip").write_bytes(b"x")
    rotate(full.backups)
    assert len(list(full.backups.glob("day-*"))) == DAYS + WEEKS
    assert len(list(full.backups.glob("before-*"))) == BEFORE
    assert first.exists()
    import_list(desk_at(full), b"bird\n99\n", "more.csv")
    assert bring_back(desk_at(full), first, replace=True) == 0
    with full.reading() as session:
        assert session.scalar(select(BirdRow.id).where(BirdRow.band == "99")) is None
    assert verify(full).complaints == ()
    newest = max(full.backups.glob("before-restore-2*"), key=os.path.getmtime)
    assert bring_back(desk_at(full), newest, replace=True) == 0
    with full.reading() as session:
        assert session.scalar(select(BirdRow.id).where(BirdRow.band == "99"))


def test_records_without_their_photos_are_refused(full, tmp_path):
    only = tmp_path / "records.zip"
    backup(full, only, with_photos=False)
    other = Settings(tmp_path / "other", f"sqlite:///{tmp_path / 'other' / 'flock.sqlite3'}")
    store = open_store(other)
    with pytest.raises(StoreError, match="3 photos"):
        restore(store, only)
    store.engine.dispose()


UNSOUND = {
    "a word": lambda t: t["birds"][0].update(sex="hem"),
    "a reference": lambda t: t["birds"][2].update(hatch_id=77),
    "a reference of a reference": lambda t: t["changes"].pop(),
    "a photo's name": lambda t: t["photos"][0].update(sha256="../../etc/passwd"),
    "a state": lambda t: t["intake_items"][0].update(state="lost"),
    "a number": lambda t: t["birds"][0].update(id=2**70),
    "no key": lambda t: t["birds"][0].pop("id"),
    "an unknown column": lambda t: t["birds"][0].update(wings=2),
    "a list in a cell": lambda t: t["birds"][0].update(notes=["a"]),
    "half a pair": lambda t: t["birds"][0].update(notes="\ud800"),
    "a day": lambda t: t["birds"][0].update(hatched="2024-13-45"),
    "rows that are none": lambda t: t.update(birds="birds"),
}


@pytest.mark.parametrize("damage", UNSOUND)
def test_records_that_are_not_sound_are_refused_and_change_nothing(full, tmp_path, damage):
    from service.records.exchange.importing import records_from

    content = json.loads(export_as(full, "json"))
    UNSOUND[damage](content["tables"])
    path = tmp_path / "all.json"
    path.write_text(json.dumps(content))
    before = export_as(full, "json")
    with pytest.raises(StoreError):
        records_from(full, path, replace=True, by="Ada")
    assert export_as(full, "json") == before


def test_nested_without_end_is_no_export(tmp_path):
    with pytest.raises(StoreError):
        parse_records("[" * 100_000, "x.json")


def test_records_and_photos_move_to_another_database_and_home(full, settings, tmp_path):
    add_account(full, "Ada", "own", "feather dust and grit")
    target = Settings(tmp_path / "new", f"sqlite:///{tmp_path / 'new' / 'flock.sqlite3'}")
    assert move_records(full, target) == 3
    there = open_store(target)
    assert export_as(there, "json") == export_as(full, "json")
    assert verify(there).complaints == ()
    assert verify(full).complaints == ()
    assert [a.name for a in all_accounts(there)] == ["Ada"]
    import_list(desk_at(there), b"bird\n99\n", "more.csv")  # keys go on after those moved
    there.engine.dispose()
    with pytest.raises(StoreError, match="records"):
        move_records(full, target)


def test_only_the_database_moves_where_the_home_stays(full, settings, tmp_path):
    target = replace(settings, database=f"sqlite:///{tmp_path / 'elsewhere.sqlite3'}")
    assert move_records(full, target) == 3
    there = open_store(target)
    assert verify(there).complaints == ()
    assert verify(full).complaints == ()
    there.engine.dispose()


def test_files_are_for_their_owner_alone(tmp_path):
    settings = Settings(tmp_path / "home", f"sqlite:///{tmp_path / 'home' / 'flock.sqlite3'}")
    store = open_store(settings)
    run(store, "lot", [File("1.jpg", lambda: jpeg(picture(1)))], Options())
    daily(store, store.backups, DAY)
    for path in [settings.home, *settings.home.rglob("*")]:
        if path.name == "photos.lock":
            continue
        assert not stat.S_IMODE(path.stat().st_mode) & 0o077, path
    store.engine.dispose()


@pytest.mark.skipif(
    os.name != "posix" or (os.geteuid() == 0 and shutil.which("setpriv") is None),
    reason="whoever runs this may write everywhere",
)
def test_a_home_that_cannot_be_written_is_looked_at_exported_and_backed_up(tmp_path):
    home = tmp_path / "home"
    settings = Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")
    store = open_store(settings)
    import_list(desk_at(store), (LIST + MORE).encode(), "flock.csv")
    run(store, "lot", [File("1.jpg", lambda: jpeg(picture(1)))], Options())
    store.engine.dispose()
    for path in [home, *home.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    # The superuser may write everywhere, unless this is given up.
    drop = "-dac_override,-dac_read_search,-fowner"
    bound = ["setpriv", f"--bounding-set={drop}", f"--inh-caps={drop}"] if not os.geteuid() else []

    def combwright(*words):
        environment = {**os.environ, "COMBWRIGHT_HOME": str(home)}
        environment.pop("COMBWRIGHT_DATABASE", None)
        command = [*bound, sys.executable, "-m", "service.cli", *words]
        return subprocess.run(command, env=environment, cwd=ROOT, capture_output=True, text=True)

    listed = combwright("export")
    assert listed.returncode == 0, listed.stderr
    assert "2025-04-05" in listed.stdout
    backed = combwright("backup", str(tmp_path / "all.zip"))
    assert backed.returncode == 0, backed.stderr
    assert combwright("verify").returncode == 0
    refused = combwright("note", "pen", "North")
    assert refused.returncode == 1
    assert "read-only" in refused.stderr
    assert "Traceback" not in refused.stderr
    for path in [home, *home.rglob("*")]:
        path.chmod(0o755)


def test_a_reading_is_kept_as_it_was(full):
    with full.reading() as session:
        assert session.scalar(select(ReadingRow.id)) == 1
    with full.writing("Ada", "list") as session:
        from service.flock.flock_csv import parse_flock

        assert take_in(session, parse_flock("bird\n1\n")) == 1
