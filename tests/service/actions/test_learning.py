"""Learning from the flock on record: what counts as confirmed, what is kept, and who reads then."""

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import date
from itertools import pairwise

import numpy as np
import pytest
from fastapi.testclient import TestClient

from classifier.adaptation import last_layer
from classifier.adaptation import trial as trials
from classifier.vocabulary import COMBS
from service.actions import learning
from service.actions.desk import Desk
from service.actions.learning import learn
from service.actions.learning_run import LearningRun
from service.actions.photos import Upload, read_photos, take_in
from service.actions.readers import ReaderInUse, photos_of_others, read_again, take_reader
from service.errors import Clash, NotFound, Refusal
from service.flock.flock_csv import load_flock
from service.installation import open_store
from service.model import default_reader, training_prior
from service.records.birds import take_in as take_list_in
from service.records.entries import enter_comb
from service.records.learned import SHIPPED
from service.records.tables import PhotoRow, ReaderRow, ReadingRow
from service.records.verify import verify
from service.settings import Settings
from service.views.confirmed import (
    READINGS,
    RELATIVES,
    Look,
    agreed_comb,
    combs_by_relatives,
    confirmed_birds,
)
from service.web.application import create
from tests.conftest import DEMO
from tests.service.shapes.test_shapes import described

ON = date(2026, 10, 4)


def home_of(path):
    return Settings(path, f"sqlite:///{path / 'flock.sqlite3'}")


@pytest.fixture(scope="module")
def settings(tmp_path_factory):
    """The demo flock with its photos read, by the model and blind by two people."""
    home = home_of(tmp_path_factory.mktemp("learning"))
    store = open_store(home)
    flock = load_flock(DEMO / "flock.csv")
    with store.writing("Ann", "list") as session:
        take_list_in(session, flock)
    desk = Desk(store, training_prior(), "Ann", ON)
    for bird in flock.birds:
        for name in bird.photos:
            path = DEMO / name
            with path.open("rb") as file:
                take_in(desk, home, [Upload(name, path.stat().st_size, file)], bird.bird)
    with store.reading() as session:
        photos = {row.name: row.sha256 for row in session.query(PhotoRow)}
        known = {row.name: row.bird.comb for row in session.query(PhotoRow)}
    read_photos(desk, default_reader(), list(photos.values()))
    with store.writing("Ann", "looks") as session:
        for name, sha in photos.items():
            comb = known[name] if known[name] in COMBS else ""
            read = session.query(ReadingRow).filter_by(photo_sha256=sha, person=False).one()
            for person in ("Ann", "Ben"):
                enter_comb(session, sha, comb or read.comb, person, True)
    store.engine.dispose()
    return home


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """One strength is tried, not five: how it is chosen is tested where it is done."""
    monkeypatch.setattr(last_layer, "STRENGTHS", (0.3,))


@pytest.fixture
def desk(settings):
    store = open_store(settings)
    yield Desk(store, training_prior(), "Ann", ON)
    with store.writing("Ann", "clean") as session:
        for row in session.query(ReaderRow):
            session.delete(row)
    store.engine.dispose()


def test_who_counts_as_confirmed():
    ann, ben = Look("Ann", "rose", True, "a"), Look("Ben", "rose", False, "a")
    assert agreed_comb([ann, ben]) == "rose"
    assert agreed_comb([ann]) == ""
    assert agreed_comb([replace(ann, blind=False), ben]) == ""  # nobody was blind
    assert agreed_comb([ann, replace(ben, comb="walnut")]) == ""
    assert agreed_comb([ann, ben, Look("Cem", "single", False, "b")]) == ""  # one against
    assert agreed_comb([ann, Look("Ann", "rose", False)]) == "rose"  # hand and photo
    assert agreed_comb([ann, Look("Ann", "rose", True, "b")]) == ""  # one person, two photos
    peas = [Look("Ann", "triple_pea", True, "a"), Look("Ben", "single_blade_pea", False, "a")]
    assert agreed_comb(peas) == "pea"
    folded = [Look("Ann", "single", True, "a"), Look("Ben", "crest_folded_single", True, "a")]
    assert agreed_comb(folded) == "single_or_folded"
    assert (
        agreed_comb([replace(ann, comb="none_of_these"), replace(ben, comb="none_of_these")]) == ""
    )


def test_relatives_alone_confirm_where_they_leave_no_other_comb(tmp_path):
    # Single by single gives single alone; R/R P/P by single gives walnut alone (Punnett 1905,
    # the four combs of two loci; trade.md's sources).
    store = open_store(home_of(tmp_path))
    listed = tmp_path / "flock.csv"
    listed.write_text(
        "bird,sire,dam,sex,comb,genotype\n"
        "1,,,cock,walnut,R/R P/P\n2,,,hen,single,r+/r+ p+/p+\n3,,,cock,single,r+/r+ p+/p+\n"
        "4,,,hen,rose,R/r+ p+/p+\n11,1,2,,,\n12,3,2,,,\n13,3,4,,,\n",
        encoding="utf-8",
    )
    with store.writing("Ann", "list") as session:
        take_list_in(session, load_flock(listed))
    with store.reading() as session:
        from service.records.birds import stored_flock

        left = combs_by_relatives(session, stored_flock(session), training_prior(), ON)
    assert left.get("11") == "walnut"
    assert left.get("12") == "single_or_folded"
    assert "13" not in left  # rose or single
    store.engine.dispose()


def test_the_readers_own_word_confirms_nothing(settings):
    store = open_store(settings)
    with store.reading() as session:
        with_people = confirmed_birds(session, training_prior(), ON)
        assert {bird.how for bird in with_people} <= {READINGS, RELATIVES}
        read = [b for b in with_people if b.how == READINGS]
        assert len(read) >= 25
        # Without people's readings only relatives remain, however sure the model is.
        session.query(ReadingRow).filter(ReadingRow.person).delete()
        alone = confirmed_birds(session, training_prior(), ON)
        assert {bird.how for bird in alone} <= {RELATIVES}
        assert len(alone) < len(read)
        session.rollback()
    store.engine.dispose()


def test_learning_keeps_a_trial_and_changes_nothing_else(desk, settings):
    before = ReaderInUse(desk.store)().card.model
    steps = []
    found = learn(desk, settings, default_reader(), lambda done, of: steps.append((done, of)))
    assert found["birds"] >= 25
    assert found["split"] == "bird"
    assert steps[-1][0] == steps[-1][1]
    assert all(a[0] <= b[0] for a, b in pairwise(steps))
    assert ReaderInUse(desk.store)().card.model == before
    again = learn(desk, settings, default_reader())  # the same birds, the same reader
    assert again["name"] == found["name"]
    with desk.store.reading() as session:
        assert session.query(ReaderRow).count() == 1
    assert verify(desk.store).clean


def test_what_was_looked_at_is_kept_and_damage_is_mended(desk, settings, monkeypatch):
    learn(desk, settings, default_reader())
    kept = sorted((settings.home / "learning").rglob("*.npy"))
    assert len(kept) >= 25
    kept[0].write_bytes(b"half a fi")
    looked = []
    from classifier.adaptation import features

    plain = features.looks

    def counted(*given):
        looked.append(1)
        return plain(*given)

    monkeypatch.setattr(features, "looks", counted)
    learn(desk, settings, default_reader())
    assert looked == [1]


def make_better(desk, settings, monkeypatch):
    """Keep a reader that the trial finds better, whatever it is."""
    monkeypatch.setattr(trials, "objections", lambda *_: [])
    return learn(desk, settings, default_reader())["name"]


def test_a_better_one_is_taken_left_and_taken_back(desk, settings, monkeypatch):
    readers = ReaderInUse(desk.store)
    shipped = readers().card.model
    name = make_better(desk, settings, monkeypatch)
    act = take_reader(desk, name, readers.base)
    assert readers().card.model == f"{shipped}.{name}"
    assert ReaderInUse(desk.store, default_reader().folder)().card.model == shipped
    take_reader(desk, SHIPPED, readers.base)
    assert readers().card.model == shipped
    take_reader(desk, name, readers.base)
    from service.records.audit_log import acts

    with desk.store.reading() as session:
        assert acts(session, 3)[0].act.code == "act_reader"
    assert act.said.code == "act_reader"


def test_what_is_not_better_or_of_other_weights_cannot_be_taken(desk, settings, monkeypatch):
    monkeypatch.setattr(trials, "LEVEL", -1.0)  # nothing is ever surely better
    found = learn(desk, settings, default_reader())
    assert not found["better"]
    base = ReaderInUse(desk.store).base
    with pytest.raises(Refusal) as refused:
        take_reader(desk, found["name"], base)
    assert refused.value.code == "reader_not_better"
    with desk.store.writing("Ann", "test") as session:
        session.query(ReaderRow).one().better = True
    with pytest.raises(Refusal) as refused:
        take_reader(desk, found["name"], "0" * 64)
    assert refused.value.code == "reader_of_other_weights"
    with pytest.raises(NotFound):
        take_reader(desk, "abcdef", base)
    # After the shipped weights were replaced the one in use isn't used, and nothing breaks.
    take_reader(desk, found["name"], base)
    with desk.store.writing("Ann", "test") as session:
        session.query(ReaderRow).one().base = "0" * 64
    assert ReaderInUse(desk.store)() is default_reader()


def test_what_is_damaged_is_told_and_the_shipped_reader_reads(desk, settings, monkeypatch):
    readers = ReaderInUse(desk.store)
    name = make_better(desk, settings, monkeypatch)
    take_reader(desk, name, readers.base)
    with desk.store.writing("Ann", "test") as session:
        row = session.query(ReaderRow).one()
        row.content = {**row.content, "change": {"matrix": [], "offsets": [], "temperature": 1}}
    assert readers() is default_reader()
    assert [c.code for c in verify(desk.store).complaints] == ["verify_word"]
    take_reader(desk, SHIPPED, readers.base)


def test_earlier_readings_stay_and_photos_are_read_again_only_on_request(
    desk, settings, monkeypatch
):
    from service.records.intake.read_pending import read_pending, to_read

    readers = ReaderInUse(desk.store)
    take_reader(desk, make_better(desk, settings, monkeypatch), readers.base)
    new = readers()
    with desk.store.reading() as session:
        photos = session.query(PhotoRow).count()
        assert to_read(session, new.card.model) == []
        assert len(to_read(session, new.card.model, again=True)) == photos
        assert photos_of_others(session, new.card.model) == photos
    assert read_pending(desk.store, new) == []
    assert read_again(desk, new) == []
    with desk.store.reading() as session:
        made = [r.by for r in session.query(ReadingRow).filter_by(person=False)]
        assert made.count(new.card.model) == photos
        assert made.count(readers.shipped.card.model) == photos
    # Back, and again: the newest reading is the shipped one's, and none was lost.
    read_again(desk, readers.shipped)
    with desk.store.reading() as session:
        assert to_read(session, readers.shipped.card.model, again=True) == []
        assert session.query(ReadingRow).filter_by(person=False).count() == 3 * photos


def test_too_few_birds_are_told_with_what_is_there(tmp_path):
    home = home_of(tmp_path)
    store = open_store(home)
    desk = Desk(store, training_prior(), "Ann", ON)
    with pytest.raises(Refusal) as refused:
        learn(desk, home, default_reader())
    assert refused.value.code == "none_confirmed"
    store.engine.dispose()


def test_two_at_once_are_refused(desk, settings):
    with learning.TURN, pytest.raises(Clash):
        learn(desk, settings, default_reader())


def waited(run):
    for _ in range(600):
        if not run.progress.running:
            return run.progress
        time.sleep(0.05)
    raise AssertionError("it never ends")


def test_a_run_beside_the_pages_is_stopped_and_goes_on(desk, settings):
    run = LearningRun()
    run.begin(desk, settings, default_reader())
    run.stop()
    assert waited(run).trouble.code == "learning_stopped"
    run.begin(desk, settings, default_reader())
    with pytest.raises(Clash):
        run.begin(desk, settings, default_reader())
    assert len(waited(run).name) == 6


def test_the_pages_and_the_api_do_what_the_command_does(desk, settings, monkeypatch):
    app = create(settings)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        assert "confirmed comb" in client.get("/reader/learning").text
        monkeypatch.setattr(trials, "objections", lambda *_: [])
        client.post("/reader/learning", data={"by": "Ann"})
        name = waited(app.state.learning).name
        assert name in client.get("/reader/learning").text
        page = client.get(f"/reader/learned/{name}").text
        assert "Let this one read" in page
        assert client.get("/reader/learned/abcdef").status_code == 404
        told = client.get("/api/v1/readers").json()
        assert [one["name"] for one in told] == [name]
        taken = client.post(f"/api/v1/readers/{name}/use", json={"by": "Ann"})
        assert taken.status_code == 200
        model = client.get("/pocket/reader.json").json()["model"]
        assert model.endswith(f".{name}")
        assert client.get(f"/pocket/weights/{model}").status_code == 200
        client.post("/reader/use", data={"name": "shipped"})
        assert not client.get("/pocket/reader.json").json()["model"].endswith(name)
        assert client.get("/api/v1/readers/learning").json()["running"] is False


def test_commands_read_with_the_reader_in_use(desk, settings, monkeypatch, combwright):
    monkeypatch.setenv("COMBWRIGHT_HOME", str(settings.home))
    monkeypatch.setenv("COMBWRIGHT_DATABASE", settings.database)
    name = make_better(desk, settings, monkeypatch)
    photo = DEMO / "17.jpg"
    assert combwright("reader", "--use", name).code == 0
    assert combwright("read", photo, "--json").lines[0]["model"].endswith(f".{name}")
    assert name in combwright("reader").out
    assert described(json.loads(combwright("reader", "--json").out)) == {"learned"}
    assert described(combwright("learn", "--on", ON, "--json").lines) == {"learned"}
    assert "found after" in combwright("learn", "--on", ON).out
    assert combwright("reader", "--use", "shipped").code == 0
    assert not combwright("read", photo, "--json").lines[0]["model"].endswith(name)
    assert combwright("reader", "--use", "nobody").code == 1
    # A home that isn't there isn't made by reading.
    monkeypatch.setenv("COMBWRIGHT_HOME", str(settings.home / "none"))
    monkeypatch.delenv("COMBWRIGHT_DATABASE")
    assert combwright("read", photo, "--json").code == 0
    assert not (settings.home / "none").exists()


@pytest.mark.long
def test_killed_while_it_learns_the_reader_stays_and_the_next_start_goes_on(settings, desk):
    environment = os.environ | {
        "COMBWRIGHT_HOME": str(settings.home),
        "COMBWRIGHT_DATABASE": settings.database,
    }
    command = [sys.executable, "-m", "service.cli", "learn", "--on", "2026-10-04", "--json"]
    rng = np.random.default_rng(0)
    for _ in range(4):
        for kept in (settings.home / "learning").rglob("*.npy"):
            kept.unlink()
        process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)
        time.sleep(float(rng.uniform(0.5, 6.0)))
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert ReaderInUse(desk.store)() is default_reader()
        assert verify(desk.store).clean
    done = subprocess.run(command, env=environment, capture_output=True, check=True)
    assert json.loads(done.stdout)["birds"] >= 25


def test_a_backup_brings_what_was_learned_along(desk, settings, tmp_path, monkeypatch):
    from service.records.backup import dump_records, parse_records

    name = make_better(desk, settings, monkeypatch)
    with desk.store.reading() as session:
        words = dump_records(session)
    assert [row["name"] for row in parse_records(words, "x").tables["readers"]] == [name]
    older = json.loads(words)
    older["version"] = 6
    del older["tables"]["readers"]
    assert parse_records(json.dumps(older), "x").tables["readers"] == []
