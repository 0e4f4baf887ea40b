"""Photos of the records behind the folder: in a store that speaks S3, or any fsspec place."""

import hashlib
import shutil
from dataclasses import replace
from datetime import date

import pytest
from sqlalchemy import select

from service.actions.desk import Desk
from service.actions.keeping import move_records
from service.actions.photos import Upload, take_in
from service.errors import StoreError, UsageMistake
from service.installation import open_store
from service.model import default_reader, training_prior
from service.records.backup import backup, restore
from service.records.intake.journal import tidy
from service.records.intake.read_pending import read_pending
from service.records.object_photos import ObjectPhotos
from service.records.tables import PhotoRow, ReadingRow
from service.records.verify import verify
from service.settings import Settings
from tests.conftest import DEMO

ON = date(2026, 10, 4)


def home(path, url):
    return Settings(path, f"sqlite:///{path / 'flock.sqlite3'}", photo_store=url)


@pytest.fixture(params=["s3", "folder"])
def url(request, tmp_path):
    if request.param == "folder":
        return f"file://{tmp_path / 'shelf'}"
    request.getfixturevalue("bucket")
    return "s3://flock/kept"


def with_photos(settings, number=3):
    store = open_store(settings)
    for path in sorted(DEMO.glob("*.jpg"))[:number]:
        with path.open("rb") as file:
            upload = Upload(path.name, path.stat().st_size, file)
            take_in(Desk(store, training_prior(), "Ann", ON), settings, [upload], "")
    return store


def kept(store):
    with store.reading() as session:
        return session.execute(select(PhotoRow.sha256, PhotoRow.suffix)).all()


def test_photos_are_in_the_store_and_another_machine_reads_them_there(tmp_path, url):
    settings = home(tmp_path / "a", url)
    store = with_photos(settings)
    there = ObjectPhotos(url)
    assert set(there.names()) == {f"{sha}{suffix}" for sha, suffix in kept(store)}
    assert verify(store).clean
    shutil.rmtree(store.photos)  # another machine, which has none of them at hand
    other = open_store(settings)
    assert verify(other).clean
    assert read_pending(other, default_reader()) == []
    with other.reading() as session:
        assert len(session.scalars(select(ReadingRow)).all()) == 3
    for sha, suffix in kept(other):
        assert hashlib.sha256(other.photo(sha, suffix).read_bytes()).hexdigest() == sha
    assert tidy(other).moved == 0
    for opened in (store, other):
        opened.engine.dispose()


def test_what_is_lost_or_changed_there_is_told(tmp_path, url):
    store = with_photos(home(tmp_path / "a", url))
    (one, ending), (two, other), _ = kept(store)
    files, base = store.behind.files, store.behind.base
    files.rm(f"{base}/{one[:2]}/{one}{ending}")
    files.pipe_file(f"{base}/{two[:2]}/{two}{other}", b"another picture")
    files.makedirs(f"{base}/ab", exist_ok=True)
    files.pipe_file(f"{base}/ab/{'ab' * 32}.jpg", b"of nobody")
    codes = {m.code for m in verify(store).complaints}
    assert codes == {"verify_missing", "verify_changed", "verify_stray"}
    tidy(store)
    assert f"{'ab' * 32}.jpg" in set(store.behind.names())  # a sweep never touches the store
    shutil.rmtree(store.photos)
    assert not store.photo(one, ending).exists()
    assert not store.photo(two, other).exists()  # other bytes are not that photo
    store.engine.dispose()


def test_a_store_of_other_records_is_not_written_to(tmp_path, url):
    with_photos(home(tmp_path / "a", url)).engine.dispose()
    with pytest.raises(StoreError) as error:
        with_photos(home(tmp_path / "b", url))
    assert error.value.code == "photos_of_others"
    assert len(set(ObjectPhotos(url).names())) == 3


def test_backup_restore_and_move_know_the_store(tmp_path, url):
    plain = home(tmp_path / "a", "")
    store = with_photos(plain)
    # Into the store: records and photos, verified on both sides.
    target = home(tmp_path / "b", url)
    assert move_records(store, target) == 3
    moved = open_store(target)
    assert verify(moved).clean
    assert len(set(ObjectPhotos(url).names())) == 3
    shutil.rmtree(moved.photos)
    moved = open_store(target)
    backup(moved, tmp_path / "b.zip")
    # And back into a folder alone.
    again = open_store(home(tmp_path / "c", ""))
    assert restore(again, tmp_path / "b.zip") == 3
    assert verify(again).clean
    # A backup brought back where the store is still the records' own.
    fresh = open_store(replace(target, home=tmp_path / "d", database=f"sqlite:///{tmp_path}/d.db"))
    assert restore(fresh, tmp_path / "b.zip") == 3
    assert verify(fresh).clean
    for opened in (store, moved, again, fresh):
        opened.engine.dispose()


def test_a_store_that_does_not_answer_is_told(tmp_path, bucket, monkeypatch):
    store = with_photos(home(tmp_path / "a", "s3://flock/kept"), 1)
    shutil.rmtree(store.photos)
    monkeypatch.setattr(store.behind.files, "cat_file", broken)
    monkeypatch.setattr(store.behind.files, "info", broken)
    ((sha, suffix),) = kept(store)
    with pytest.raises(StoreError, match="flock/kept"):
        store.photo(sha, suffix)
    with pytest.raises(StoreError, match="flock/kept"):
        store.keep_photo(b"x", ".jpg")
    store.engine.dispose()
    with pytest.raises(UsageMistake, match="gibberish"):
        open_store(home(tmp_path / "b", "gibberish://x"))


def broken(*given, **more):
    raise OSError("no route to host")
