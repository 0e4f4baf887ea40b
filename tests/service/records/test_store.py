"""The store: nothing half written, everything on the trail, errors in words."""

import sqlite3
import subprocess
import sys
from datetime import date

import pytest
from sqlalchemy import select

from service.errors import FlockError, StoreError
from service.flock.flock_csv import parse_flock
from service.installation import open_store
from service.records.audit_log import acts, find_act, history, undo
from service.records.birds import bird_named, stored_birds, stored_flock, take_in
from service.records.database import open_engine
from service.records.tables import BirdRow, HatchRow, PenBirdRow, PenRow, PhotoRow, ReadingRow
from tests.service.records.older import tables_of

LIST = """bird,sire,dam,sex,hatched,comb,comb_by,crest,beard,wattles,genotype,photo,notes,leg colour
1,,,cock,2024-03-01,walnut,Ada,yes,no,small,R/R P/P,1.jpg;1-2.jpg,"old, kind",slate
2,,,hen,2024-03-02,single,,no,,,,,,
17,1,2,,2025-04-05,pea,Ada,,,,,,,blue
"""


def bring(store, text=LIST):
    with store.writing("Ada", "list") as session:
        return take_in(session, parse_flock(text))


def test_a_flock_list_is_kept_in_full(store):
    assert bring(store) == 3
    with store.reading() as session:
        flock = stored_flock(session)
    for kept, given in zip(flock.birds, parse_flock(LIST).birds, strict=True):
        assert kept.extra == {k: v for k, v in given.extra.items()}
        for field in ("bird", "sire", "dam", "sex", "hatched", "comb", "photos", "notes"):
            assert getattr(kept, field) == getattr(given, field)


def test_a_list_that_does_not_fit_leaves_nothing_behind(store):
    bring(store)
    with pytest.raises(FlockError, match="is recorded as a hen"):
        bring(store, "bird,sex\n30,hen\n1,hen\n")
    with store.reading() as session:
        assert session.scalars(select(BirdRow.band).order_by(BirdRow.id)).all() == ["1", "2", "17"]


def test_every_change_is_on_the_trail_and_can_be_taken_back(store):
    bring(store)
    with store.writing("Ben", "renamed") as session:
        row = session.scalar(select(BirdRow).where(BirdRow.band == "17"))
        row.notes, row.comb = "limps", "rose"
        number = row.id
    with store.reading() as session:
        newest = acts(session)[0]
        change = history(session, "birds", number)[-1]
        assert (newest.by, str(newest.act), newest.changes) == ("Ben", "renamed", 1)
        assert (change.before["comb"], change.after["comb"]) == ("pea", "rose")
    with store.writing("Ada", "undone") as session:
        assert undo(session, find_act(session, newest.name[:8])) == 1
    with store.reading() as session:
        row = session.get(BirdRow, number)
        assert (row.notes, row.comb) == ("", "pea")
        assert [a.undone for a in acts(session)] == [False, True, False]
    with store.writing("Ada", "undone once more") as session, pytest.raises(StoreError):
        undo(session, newest.name)


def test_an_undo_can_be_undone_and_brings_rows_back_with_their_key(store):
    bring(store)
    with store.reading() as session:
        batch = acts(session)[0].name
        before = {r.band: r.id for r in session.scalars(select(BirdRow))}
    with store.writing("Ada", "away") as session:
        undo(session, batch)
    with store.reading() as session:
        assert session.scalars(select(BirdRow)).all() == []
        away = acts(session)[0].name
    with store.writing("Ada", "back") as session:
        undo(session, away)
    with store.reading() as session:
        assert {r.band: r.id for r in session.scalars(select(BirdRow))} == before
    assert bring(store, LIST + "18,1,2,,,,,,,,,,,\n") == 4


def test_what_was_changed_again_since_is_not_undone(store):
    bring(store)
    for word in ("rose", "walnut"):
        with store.writing("Ada", word) as session:
            session.scalar(select(BirdRow).where(BirdRow.band == "17")).comb = word
    with store.reading() as session:
        first = next(a for a in acts(session) if str(a.act) == "rose")
    with (
        pytest.raises(StoreError, match="changed again since"),
        store.writing("Ada", "undo") as session,
    ):
        undo(session, first.name)
    with store.reading() as session:
        assert session.scalar(select(BirdRow.comb).where(BirdRow.band == "17")) == "walnut"


def test_a_session_that_only_reads_changes_nothing(store):
    bring(store)
    with pytest.raises(RuntimeError, match="only reads"), store.reading() as session:
        bird_named(session, "99")
    with store.reading() as session:
        assert len(session.scalars(select(BirdRow)).all()) == 3


def test_parents_come_from_the_pen_while_they_lived_in_it(store):
    """Eggs hatch after 21 days; sperm lasts about two weeks (common practice, no source)."""
    bring(store, "bird,sex\nC1,cock\nC2,cock\nC3,cock\nH1,hen\n")
    with store.writing("Ada", "pen") as session:
        pen = PenRow(name="north", notes="")
        session.add(pen)
        session.flush()
        hatch = HatchRow(name="May", pen_id=pen.id, hatched=date(2026, 5, 1), notes="")
        session.add(hatch)
        session.flush()
        stays = {
            "C1": (None, None),
            "C2": (None, date(2026, 3, 30)),  # within two weeks before the eggs were laid
            "C3": (date(2026, 4, 12), None),  # came after
            "H1": (date(2026, 1, 1), None),
        }
        for band, (since, until) in stays.items():
            bird = bird_named(session, band)
            session.add(PenBirdRow(pen_id=pen.id, bird_id=bird.id, since=since, until=until))
        chick = bird_named(session, "chick")
        chick.hatch_id = hatch.id
    with store.reading() as session:
        flock = stored_flock(session)
    row = flock.row("chick")
    assert flock.birds[row].sire == "C1 or C2"
    assert flock.birds[row].dam == "H1"
    assert flock.candidate_parents[row].sires == (flock.row("C1"), flock.row("C2"))
    assert flock.dam[row] == flock.row("H1")


def test_an_older_store_is_brought_up_to_date_with_its_rows(settings):
    with tables_of(settings, "0001") as connection:
        for line in (
            "INSERT INTO birds (id, band, sire, dam, sex, comb, comb_by, wattles, genotype, notes) "
            "VALUES (5, '17', '', '', 'hen', '', '', '', '', 'n')",
            "INSERT INTO photos VALUES ('abc', '17.jpg', '.jpg', '2026-01-02 03:04:05', 5)",
            "INSERT INTO readings VALUES "
            "(3, 'abc', '2026-01-02 03:04:06', 'Ada', true, 'rose', '{}')",
        ):
            connection.exec_driver_sql(line)
    store = open_store(settings)
    with store.reading() as session:
        photo = session.scalar(select(PhotoRow))
        assert (photo.sha256, photo.bird.band, photo.readings[0].comb) == ("abc", "17", "rose")
        assert session.scalar(select(ReadingRow.blind)) is False
        assert photo.taken_in.utcoffset().total_seconds() == 0
    store.engine.dispose()


def test_models_and_migrations_say_the_same(store):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from service.records.tables import Base

    with store.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_a_writer_does_not_wait_for_readers(store):
    bring(store)
    with store.reading() as reader:
        before = reader.scalars(select(BirdRow.band)).all()
        with store.writing("Ada", "meanwhile") as session:
            bird_named(session, "99")
        assert reader.scalars(select(BirdRow.band)).all() in (before, [*before, "99"])


def test_a_locked_database_says_so(tmp_path, monkeypatch):
    from service.records import database
    from service.settings import Settings

    monkeypatch.setattr(database, "BUSY_MILLISECONDS", 200)
    path = tmp_path / "flock.sqlite3"
    store = open_store(Settings(tmp_path, f"sqlite:///{path}"))
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StoreError, match="in use by another program"), store.writing("a", "b"):
        pass
    other.execute("ROLLBACK")
    with store.writing("a", "b") as session:
        bird_named(session, "1")


def test_a_file_that_is_no_store_says_so(tmp_path):
    from service.settings import Settings

    path = tmp_path / "flock.sqlite3"
    path.write_bytes(b"not a database at all, but long enough to be taken for one" * 40)
    with pytest.raises(StoreError, match="isn't a store"):
        open_store(Settings(tmp_path, f"sqlite:///{path}"))


def test_a_database_full_to_the_brim_says_so_and_keeps_what_was_there(tmp_path):
    from service.settings import Settings

    store = open_store(Settings(tmp_path, f"sqlite:///{tmp_path / 'flock.sqlite3'}"))
    bring(store)
    store.engine.dispose()
    from sqlalchemy import event

    @event.listens_for(store.engine, "connect")
    def small(connection, _):
        connection.execute("PRAGMA max_page_count=60")

    with pytest.raises(StoreError, match="disk is full"):
        bring(store, "bird,notes\n" + "".join(f"b{i},{'x' * 500}\n" for i in range(2000)))
    with store.reading() as session:
        assert len(session.scalars(select(BirdRow)).all()) == 3


@pytest.mark.parametrize("url", ["mysql://x/y", "sqlitee:///x"])
def test_a_database_of_another_kind_is_refused(url, tmp_path):
    from service.settings import Settings

    with pytest.raises(StoreError):
        open_store(Settings(tmp_path, url))


def test_a_list_says_nothing_about_columns_that_it_does_not_have(store):
    bring(store)
    with store.writing("Ada", "sexes") as session:
        text = "bird,sex,sire\n17,hen,1\n18,cock,1\n"
        assert take_in(session, parse_flock(text, beside=stored_birds(session))) == 2
    with store.reading() as session:
        row = session.scalar(select(BirdRow).where(BirdRow.band == "17"))
        assert (row.sex, row.dam, row.comb, row.extra) == (
            "hen",
            "2",
            "pea",
            {"leg colour": "blue"},
        )
        assert len(session.scalars(select(BirdRow)).all()) == 4


def test_two_writers_take_turns_and_neither_loses_what_it_wrote(store):
    from concurrent.futures import ThreadPoolExecutor

    bring(store)

    def add(number):
        with store.writing("Ada", "note") as session:
            row = session.scalar(select(BirdRow).where(BirdRow.band == "17"))
            row.notes = f"{row.notes} {number}".strip()

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(add, range(12)))
    with store.reading() as session:
        notes = session.scalar(select(BirdRow.notes).where(BirdRow.band == "17"))
    assert sorted(notes.split(), key=int) == [str(i) for i in range(12)]


def test_a_read_only_database_says_so(tmp_path):
    from sqlalchemy import event

    from service.settings import Settings

    store = open_store(Settings(tmp_path, f"sqlite:///{tmp_path / 'flock.sqlite3'}"))
    store.engine.dispose()

    @event.listens_for(store.engine, "connect")
    def frozen(connection, _):
        connection.execute("PRAGMA query_only=ON")

    with pytest.raises(StoreError, match="read-only"), store.writing("a", "b") as session:
        bird_named(session, "1")


def test_opening_a_store_does_not_wait_for_who_writes(settings, store):
    from concurrent.futures import ThreadPoolExecutor

    with store.writing("Ada", "long work") as session, ThreadPoolExecutor(1) as pool:
        bird_named(session, "1")
        other = pool.submit(open_store, settings).result(timeout=5)
        with other.reading() as reader:
            assert reader.scalars(select(BirdRow)).all() == []
        other.engine.dispose()


def test_opening_records_again_drops_no_lock_of_those_that_are_open(tmp_path):
    # fcntl(2): closing any descriptor of a file drops the process's locks on it. Records opened a
    # second time took those of the first away, and the next program to close them threw away the
    # log that the first still wrote into: what it wrote then was lost.
    url = f"sqlite:///{tmp_path / 'flock.sqlite3'}"
    first = open_engine(url).connect()
    first.exec_driver_sql("CREATE TABLE words (word)")
    first.commit()
    first.exec_driver_sql("SELECT * FROM words").all()
    first.rollback()
    open_engine(url).dispose()
    code = (
        "from service.records.database import open_engine\n"
        f"engine = open_engine({url!r})\n"
        "with engine.connect() as connection:\n"
        "    connection.exec_driver_sql('SELECT * FROM words').all()\n"
        "engine.dispose()\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
    assert (tmp_path / "flock.sqlite3-wal").exists()
    first.exec_driver_sql("INSERT INTO words VALUES ('kept')")
    first.commit()
    first.close()
    with open_engine(url).connect() as second:
        assert second.exec_driver_sql("SELECT word FROM words").scalars().all() == ["kept"]
