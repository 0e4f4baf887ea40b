"""Photos are never deleted: not with a new, moved, wrong or older database, whatever is run."""

import json
import shutil
from dataclasses import replace

import pytest

from service.errors import StoreError
from service.installation import open_store
from service.records.backup import backup, restore
from service.records.identity import MARK, foreign, take_over
from service.records.intake.journal import Options, describe_sweep, run, tidy
from service.records.intake.sources import File, files_of
from service.records.photo_files import aside
from service.records.verify import verify
from service.settings import Settings
from tests.conftest import DEMO
from tests.service.pictures import jpeg, picture

PHOTOS = 39


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """An installation with the 39 photos of the demo, a backup, and a copy of its database as it
    was when it held only ten of them."""
    folder = tmp_path_factory.mktemp("identity")
    settings = Settings(folder / "home", f"sqlite:///{folder / 'home' / 'flock.sqlite3'}")
    store = open_store(settings)
    source, files = files_of([DEMO])
    assert len(files) == PHOTOS
    run(store, source, files[:10], Options(codes=False))
    store.engine.dispose()
    shutil.copy(settings.home / "flock.sqlite3", folder / "older.sqlite3")
    store = open_store(settings)
    run(store, source, files, Options(codes=False))
    backup(store, folder / "all.zip")
    store.engine.dispose()
    return folder


def database(home, kind):
    """Where a database of some kind lies, beside the folder of photos."""
    own = home / "home" / "flock.sqlite3"
    if kind == "new":
        own.unlink()
    elif kind == "moved":
        own.rename(home / "moved.sqlite3")
        own = home / "moved.sqlite3"
    elif kind == "wrong":
        own = home / "home" / "flok.sqlite3"
    elif kind == "other":
        other = open_store(Settings(home / "other", f"sqlite:///{home / 'other.sqlite3'}"))
        one = File("1.jpg", lambda: jpeg(picture(1)))
        run(other, "one", [one], Options(codes=False))
        other.engine.dispose()
        own = home / "other.sqlite3"
    elif kind == "older":
        shutil.copy(home / "older.sqlite3", own)
        for left in home.glob("home/flock.sqlite3-*"):
            left.unlink()
    return f"sqlite:///{own}"


def serve(settings, combwright, home):
    from fastapi.testclient import TestClient

    from service.web.application import create

    with TestClient(create(settings), base_url="http://127.0.0.1") as client:
        assert client.get("/").status_code == 200


def intake(settings, combwright, home):
    (home / "new").mkdir()
    (home / "new" / "5.jpg").write_bytes(jpeg(picture(5)))
    combwright("intake", home / "new", "--no-read")


def tidy_up(settings, combwright, home):
    combwright("verify", "--tidy")


def bring_back(settings, combwright, home):
    combwright("restore", home / "all.zip")


@pytest.mark.parametrize("act", [serve, intake, tidy_up, bring_back])
@pytest.mark.parametrize("kind", ["own", "new", "moved", "wrong", "other", "older"])
def test_39_photos_are_there_after_each_act(home, tmp_path, combwright, monkeypatch, kind, act):
    copy = tmp_path / "copy"
    shutil.copytree(home, copy)
    photos = copy / "home" / "photos"
    before = {p.name: p.read_bytes() for p in photos.rglob("*.jpg")}
    assert len(before) == PHOTOS
    url = database(copy, kind)
    monkeypatch.setenv("COMBWRIGHT_HOME", str(copy / "home"))
    monkeypatch.setenv("COMBWRIGHT_DATABASE", url)
    act(Settings(copy / "home", url), combwright, copy)
    after = {p.name: p.read_bytes() for p in photos.rglob("*.jpg")}
    assert before.items() <= after.items()


def test_a_sweep_refuses_in_the_folder_of_other_records(home, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(home, copy)
    wrong = open_store(Settings(copy / "home", f"sqlite:///{copy / 'wrong.sqlite3'}"))
    swept = tidy(wrong)
    assert (swept.refused, swept.moved, swept.removed) == (True, 0, 0)
    assert "belongs to other records" in " ".join(map(str, describe_sweep(wrong, swept)))
    assert any(c.code == "verify_foreign" for c in verify(wrong).complaints)
    with pytest.raises(StoreError, match="belongs to other records"):
        run(wrong, "one", [File("1.jpg", lambda: jpeg(picture(1)))], Options(codes=False))
    take_over(wrong)
    assert not foreign(wrong)
    assert tidy(wrong).moved == PHOTOS  # theirs now, and it knows none of them
    assert len(list(aside(wrong.photos).glob("*.jpg"))) == PHOTOS
    wrong.engine.dispose()
    own = open_store(Settings(copy / "home", f"sqlite:///{copy / 'home' / 'flock.sqlite3'}"))
    assert foreign(own)
    take_over(own)
    assert tidy(own).brought_back == PHOTOS
    assert verify(own).complaints == ()
    own.engine.dispose()


def test_records_that_were_lost_come_back_from_a_backup_into_their_own_folder(home, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(home, copy)
    for left in (copy / "home").glob("flock.sqlite3*"):
        left.unlink()
    settings = Settings(copy / "home", f"sqlite:///{copy / 'home' / 'flock.sqlite3'}")
    store = open_store(settings)
    assert foreign(store)
    assert restore(store, copy / "all.zip") == PHOTOS
    assert not foreign(store)
    assert verify(store).complaints == ()
    store.engine.dispose()


def test_a_folder_of_a_version_without_marks_is_known_by_its_photos(home, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(home, copy)
    mark = copy / "home" / "photos" / MARK
    mark.unlink()
    settings = Settings(copy / "home", f"sqlite:///{copy / 'home' / 'flock.sqlite3'}")
    wrong = open_store(replace(settings, database=f"sqlite:///{copy / 'wrong.sqlite3'}"))
    assert foreign(wrong)
    assert not mark.exists()
    wrong.engine.dispose()
    own = open_store(settings)
    assert not foreign(own)
    assert mark.exists()
    own.engine.dispose()


def test_an_export_names_no_folder(home, tmp_path, monkeypatch, combwright):
    copy = tmp_path / "copy"
    shutil.copytree(home, copy)
    monkeypatch.setenv("COMBWRIGHT_HOME", str(copy / "home"))
    combwright("export", tmp_path / "all.json")
    text = (tmp_path / "all.json").read_text()
    assert str(DEMO) not in text
    assert str(copy) not in text
    assert json.loads(text)["tables"]["intakes"][0]["source"].startswith("demo_images (")
