"""Photos on their way in: cleaned, known again, matched to birds, never lost, never twice."""

import errno
import io
import os
import random
import signal
import stat
import subprocess
import sys
import time
import zipfile
from datetime import UTC, datetime

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps
from sqlalchemy import select

from classifier.photo import PhotoError
from service.errors import StoreError, UsageMistake
from service.records.birds import bird_named
from service.records.intake.bands import band_in_name, band_of_codes, codes_in_picture, pattern_of
from service.records.intake.journal import Options, one, run, tidy
from service.records.intake.metadata import strip_metadata
from service.records.intake.near_duplicates import ALIKE, distance, likeness, nearest
from service.records.intake.sources import File, files_of
from service.records.photo_files import Swept, aside, place
from service.records.tables import BirdRow, ItemRow, PhotoRow
from service.records.verify import verify
from tests.conftest import DEMO, ROOT
from tests.service.pictures import jpeg, picture, telling_exif


def folder_of(path, count, start=0):
    path.mkdir(exist_ok=True)
    for i in range(start, start + count):
        (path / f"{i}.jpg").write_bytes(jpeg(picture(i)))
    return path


def take(store, *paths, **options):
    source, files = files_of(paths)
    return run(store, source, files, Options(**options))


def test_place_camera_and_serial_number_are_taken_off_and_the_picture_stays_bit_for_bit():
    data = jpeg(picture(1), exif=telling_exif())
    clean = strip_metadata(data)
    for secret in (b"SecretMaker", b"SecretModel", b"SERIAL4711"):
        assert secret in data
        assert secret not in clean.data
    kept = Image.open(io.BytesIO(clean.data))
    exif = kept.getexif()
    assert dict(exif.get_ifd(0x8825)) == {}
    assert exif[0x0112] == 6
    assert exif.get_ifd(0x8769)[0x9003] == "2026:05:03 07:08:09"
    assert clean.taken.isoformat() == "2026-05-03T07:08:09+00:00"
    assert np.array_equal(np.asarray(kept), np.asarray(Image.open(io.BytesIO(data))))


@pytest.mark.parametrize("name", ["PNG", "WEBP", "TIFF", "BMP", "GIF", "HEIF"])
def test_other_formats_lose_their_metadata_too(name):
    pillow_heif.register_heif_opener()
    buffer = io.BytesIO()
    extra = {} if name in ("BMP", "GIF") else {"exif": telling_exif()}
    picture(2).save(buffer, name, **extra)
    clean = strip_metadata(buffer.getvalue())
    assert b"SERIAL4711" not in clean.data
    assert clean.suffix == (".jpg" if name in ("WEBP", "HEIF") else ".png")
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(clean.data)))
    assert upright.size == ((320, 240) if name in ("BMP", "GIF") else (240, 320))


@pytest.mark.parametrize("progressive", [False, True])
def test_what_follows_the_picture_in_a_file_is_not_kept(progressive):
    buffer = io.BytesIO()
    picture(3).save(buffer, "JPEG", progressive=progressive, restart_marker_rows=1)
    clean = strip_metadata(buffer.getvalue() + b"\xff\xd9MOTION PHOTO VIDEO" * 50)
    assert b"VIDEO" not in clean.data
    kept = np.asarray(Image.open(io.BytesIO(clean.data)))
    assert np.array_equal(kept, np.asarray(Image.open(buffer)))


@pytest.mark.parametrize("data", [b"text", b"\xff\xd8\xff\xe0", b"", jpeg(picture(4))[:300]])
def test_what_is_no_photo_is_refused(data):
    with pytest.raises(PhotoError):
        strip_metadata(data)


def test_copies_made_smaller_are_known_again_and_other_photos_are_not():
    """On the demo's photos: copies differ by up to ALIKE bits, others by more."""
    files = sorted(DEMO.glob("*.jpg"))
    hashes = []
    for file in files:
        photo: Image.Image = Image.open(file).convert("RGB")
        small: Image.Image = Image.open(
            io.BytesIO(jpeg(photo.resize((photo.width // 2, photo.height // 2)), 50))
        )
        hashes.append((likeness(photo), likeness(small)))
    for i, (code, copy) in enumerate(hashes):
        others = [distance(code, other) for other, _ in hashes[:i] + hashes[i + 1 :]]
        assert distance(code, copy) <= ALIKE < min(others), files[i].name


def test_the_index_finds_what_a_comparison_with_every_photo_finds(store):
    """Against a plain search over all hashes, for hashes at every distance up to nine."""
    rng = random.Random(0)
    codes = [f"{rng.getrandbits(64):016x}" for _ in range(300)]
    with store.writing("Ada", "photos") as session:
        for number, code in enumerate(codes):
            session.add(
                PhotoRow(
                    sha256=f"{number:064x}", name="x.jpg", suffix=".jpg", likeness=code,
                    taken_in=datetime.now(UTC), like="" if number % 5 else "0" * 64,
                )
            )  # fmt: skip
    found = 0
    with store.reading() as session:
        for trial in range(300):
            bits = rng.sample(range(64), trial % 10)
            asked = f"{int(codes[trial], 16) ^ sum(1 << b for b in bits):016x}"
            near = [(distance(asked, c), i) for i, c in enumerate(codes) if i % 5]
            best = min(near)
            wanted = f"{best[1]:064x}" if best[0] <= ALIKE else ""
            assert nearest(session, asked) == wanted
            found += bool(wanted)
    assert found == 150


@pytest.mark.parametrize(
    ("name", "band"),
    [
        ("17.jpg", "17"),
        ("lot/17-2.jpg", "17"),
        ("17_b.png", "17"),
        ("red 17.jpg", "red 17"),
        ("red 17 3.jpg", "red 17"),
        ("IMG_2041.jpg", None),
        ("170.jpg", None),
    ],
)
def test_the_band_is_read_from_the_name_if_it_is_known(name, band):
    assert band_in_name(name, {"17", "red 17"}) == band


def test_a_pattern_of_ones_own_finds_bands_that_are_new():
    assert band_in_name("pen3-99-left.jpg", set(), pattern_of("pen3-{band}-{any}")) == "99"
    with pytest.raises(UsageMistake):
        pattern_of("pen3")


def test_a_label_in_the_picture_tells_the_bird():
    import segno

    buffer = io.BytesIO()
    segno.make_qr("combwright:bird:red 17", error="q").save(buffer, kind="png", scale=4)
    photo = picture(5, (640, 480))
    photo.paste(
        Image.open(buffer).convert("RGB").rotate(12, expand=True, fillcolor="white"), (30, 60)
    )
    assert (
        band_of_codes(codes_in_picture(Image.open(io.BytesIO(jpeg(photo, 80)))), set()) == "red 17"
    )
    assert band_of_codes(codes_in_picture(picture(5)), set()) is None


def test_a_folder_is_taken_in_once_however_often_it_is_given(store, tmp_path):
    folder = folder_of(tmp_path / "lot", 4)
    (folder / "again.jpg").write_bytes((folder / "0.jpg").read_bytes())
    with store.writing("Ada", "bird") as session:
        bird_named(session, "2")
    first = take(store, folder)
    assert [t.state for t in first] == ["kept"] * 4 + ["already there"]
    second = take(store, folder)
    assert {t.state for t in second} == {"already there"}
    with store.reading() as session:
        rows = session.scalars(select(PhotoRow).order_by(PhotoRow.id)).all()
        assert [r.bird.band if r.bird else "" for r in rows] == ["", "", "2", ""]
        for row in rows:
            data = place(store.photos, row.sha256, row.suffix).read_bytes()
            assert len(data) == row.bytes
    assert verify(store).clean


def test_a_copy_through_a_messenger_is_kept_but_marked(store, tmp_path):
    folder = folder_of(tmp_path / "lot", 1)
    copy = picture(0).resize((200, 150))
    (folder / "copy.jpg").write_bytes(jpeg(copy, 60))
    taken = take(store, folder)
    assert [bool(t.like) for t in taken] == [False, True]
    assert taken[1].like == taken[0].sha256


def test_originals_are_kept_only_on_request(store, tmp_path):
    data = jpeg(picture(6), exif=telling_exif())
    for number, original in enumerate((False, True)):
        (tmp_path / "x.jpg").write_bytes(
            data if not original else jpeg(picture(7), exif=telling_exif())
        )
        taken = take(store, tmp_path / "x.jpg", original=original)[0]
        kept = place(store.photos, taken.sha256, ".jpg").read_bytes()
        assert (b"SERIAL4711" in kept) is original, number


def test_broken_files_are_told_and_the_others_are_kept(store, tmp_path):
    folder = folder_of(tmp_path / "lot", 2)
    (folder / "a.jpg").write_bytes(b"nothing")
    (folder / "b.jpg").write_bytes(b"")
    states = {t.name: t.state for t in take(store, folder)}
    assert states == {"0.jpg": "kept", "1.jpg": "kept", "a.jpg": "refused", "b.jpg": "refused"}


def test_an_archive_is_unpacked_with_care(store, tmp_path):
    path = tmp_path / "lot.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../etc/1.jpg", jpeg(picture(1)))
        archive.writestr("__MACOSX/._1.jpg", b"x")
        archive.writestr("notes.txt", b"x")
        archive.writestr("bomb.jpg", b"\0" * 60_000_000)
    taken = {t.name: t for t in take(store, path)}
    assert taken["etc/1.jpg"].state == "kept"
    assert "far more than any photo" in str(taken["bomb.jpg"].message)
    assert set(taken) == {"etc/1.jpg", "bomb.jpg"}
    (tmp_path / "no.zip").write_bytes(b"PK nothing")
    with pytest.raises(StoreError, match="not a ZIP"):
        files_of([tmp_path / "no.zip"])


def test_a_full_disk_leaves_nothing_half_kept_and_the_intake_goes_on_later(
    store, tmp_path, monkeypatch
):
    folder = folder_of(tmp_path / "lot", 3)
    real, calls = os.fsync, []

    def full(handle):
        if stat.S_ISREG(os.fstat(handle).st_mode):
            calls.append(handle)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(handle)

    monkeypatch.setattr("service.records.photo_files.os.fsync", full)
    with pytest.raises(StoreError, match="disk is full"):
        take(store, folder)
    monkeypatch.undo()
    assert verify(store).clean
    with store.reading() as session:
        assert len(session.scalars(select(PhotoRow)).all()) == 1
    assert [t.state for t in take(store, folder)] == ["kept", "kept"]
    assert verify(store).clean


def test_a_read_only_folder_says_so(store, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("service.records.photo_files.Path.mkdir", refuse)
    with pytest.raises(StoreError, match="read-only"):
        one(store, File("1.jpg", lambda: jpeg(picture(1))), Options(), set())
    monkeypatch.undo()
    assert verify(store).clean


def test_a_clock_set_back_changes_no_order(store, monkeypatch):
    import datetime

    from service.records.intake import journal

    times = iter([2026, 2020, 2023])

    class Clock(datetime.datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.datetime(next(times), 1, 1, tzinfo=tz)

    monkeypatch.setattr(journal, "datetime", Clock)
    for i in range(3):
        one(store, File(f"{i}.jpg", lambda i=i: jpeg(picture(i))), Options(), set())
    with store.reading() as session:
        names = session.scalars(select(PhotoRow.name).order_by(PhotoRow.id)).all()
    assert names == ["0.jpg", "1.jpg", "2.jpg"]


@pytest.mark.slow
def test_two_processes_at_once_keep_each_photo_once(settings, store, tmp_path):
    folder = folder_of(tmp_path / "lot", 12)
    command = [sys.executable, "-m", "service.cli", "intake", str(folder), "--no-read"]
    env = environment(settings)
    runs = [
        subprocess.Popen(command, cwd=ROOT, env=env, stderr=subprocess.PIPE, stdout=subprocess.PIPE)
        for _ in range(2)
    ]
    for process in runs:
        _, err = process.communicate(timeout=120)
        assert process.returncode == 0, err
    with store.reading() as session:
        assert len(session.scalars(select(PhotoRow)).all()) == 12
    assert verify(store).clean


def environment(settings):
    return {
        **os.environ,
        "COMBWRIGHT_HOME": str(settings.home),
        "COMBWRIGHT_DATABASE": settings.database,
    }


@pytest.mark.slow
@pytest.mark.parametrize(
    ("photos", "kills"), [(12, 3), pytest.param(30, 5, marks=pytest.mark.long)]
)
def test_killed_at_any_moment_an_intake_goes_on_and_loses_nothing(
    settings, store, tmp_path, photos, kills
):
    """A small run of `benchmarks/crashes.py`, which kills 200 times."""
    folder = folder_of(tmp_path / "lot", photos)
    command = [sys.executable, "-m", "service.cli", "intake", str(folder), "--no-read", "--json"]
    rng, acknowledged, killed = random.Random(0), set(), 0
    while True:
        process = subprocess.Popen(
            command, cwd=ROOT, env=environment(settings), stdout=subprocess.PIPE, text=True
        )
        lines = []
        wait = rng.uniform(0, 0.3)
        for line in process.stdout:
            lines.append(line)
            if killed < kills and len(lines) > killed:
                time.sleep(wait)
                process.send_signal(signal.SIGKILL)
                killed += 1
                break
        lines += process.stdout.readlines()
        process.wait(timeout=60)
        process.stdout.close()
        for line in lines:
            if '"sha256"' in line and line.endswith("}\n"):
                acknowledged.add(line.split('"sha256": "')[1][:64])
        tidy(store)
        assert verify(store).complaints == ()
        with store.reading() as session:
            assert acknowledged <= set(session.scalars(select(PhotoRow.sha256)))
        # Through before it could be killed, the lot is begun anew and all of it is there.
        if process.returncode == 0 and killed == kills:
            break
    with store.reading() as session:
        assert len(session.scalars(select(PhotoRow)).all()) == photos
        states = session.scalars(select(ItemRow.state)).all()
        # Killed between its last photo and its end, the lot is begun again and all are there.
        assert states.count("kept") == photos
        assert set(states) <= {"kept", "already there"}
    assert killed == kills


def test_verify_finds_what_was_lost_or_changed(store, tmp_path):
    taken = take(store, folder_of(tmp_path / "lot", 3))
    paths = [place(store.photos, t.sha256, ".jpg") for t in taken]
    paths[0].unlink()
    paths[1].write_bytes(b"other")
    (paths[2].parent / "stray.jpg").write_bytes(b"x")
    said = " ".join(map(str, verify(store).complaints))
    for words in ("is missing", "has changed", "stray.jpg belongs to no photo"):
        assert words in said
    assert tidy(store) == Swept(removed=0, moved=1, brought_back=0)
    assert (aside(store.photos) / "stray.jpg").read_bytes() == b"x"


def test_a_sweep_deletes_our_own_drafts_alone(store, tmp_path):
    (taken,) = take(store, folder_of(tmp_path / "lot", 1))
    kept = place(store.photos, taken.sha256, ".jpg")
    (kept.parent / f".{kept.name}.17.part").write_bytes(b"half")
    (kept.parent / "letter.part").write_bytes(b"somebody's")
    assert tidy(store) == Swept(removed=1, moved=1, brought_back=0)
    assert (aside(store.photos) / "letter.part").read_bytes() == b"somebody's"


def test_an_undone_intake_can_be_brought_back_with_its_file(store, tmp_path):
    from service.records.audit_log import acts, undo

    take(store, folder_of(tmp_path / "lot", 1))
    with store.reading() as session:
        batch = acts(session)[0].name
    with store.writing("Ada", "undo") as session:
        undo(session, batch)
    assert tidy(store) == Swept(0, 0, 0)
    with store.reading() as session:
        batch = acts(session)[0].name
        assert session.scalars(select(PhotoRow)).all() == []
    with store.writing("Ada", "redo") as session:
        undo(session, batch)
    check = verify(store)
    assert (check.photos, check.clean) == (1, True)


def test_a_photo_of_a_new_band_makes_the_bird(store, tmp_path):
    take(store, folder_of(tmp_path / "lot", 1), band="99")
    with store.reading() as session:
        assert session.scalar(select(BirdRow.band)) == "99"


def test_a_picture_too_small_for_a_head_is_refused(store, tmp_path):
    (tmp_path / "dot.jpg").write_bytes(jpeg(picture(1, (12, 12))))
    taken = take(store, tmp_path / "dot.jpg")[0]
    assert taken.state == "refused"
    assert "too few for a head" in str(taken.message)


def segment(mark, content):
    return bytes((0xFF, mark)) + (len(content) + 2).to_bytes(2, "big") + content


def segments(data):
    """Marks and contents of a JPEG's segments, scans stepped over (ITU-T T.81, annex B)."""
    found, at = [], 2
    while at + 4 <= len(data):
        if data[at] != 0xFF or data[at + 1] in (0, 0xFF, *range(0xD0, 0xD8)):
            at += 1
            continue
        size = int.from_bytes(data[at + 2 : at + 4], "big")
        found.append((data[at + 1], data[at + 4 : at + 2 + size]))
        at += 2 + size
    return found


def test_a_jpeg_keeps_its_picture_and_of_what_programs_write_only_what_the_picture_needs():
    buffer = io.BytesIO()
    picture(3).save(buffer, "JPEG", progressive=True, icc_profile=b"profile" * 20)
    plain = buffer.getvalue()
    secret = b"SECRET place and name"
    told = (
        segment(0xE0, b"JFXX\x00\x10" + secret)
        + segment(0xEE, b"NoAdobe" + secret)
        + segment(0xE2, b"OTHER\x00" + secret)
        + segment(0xED, b"Photoshop 3.0\x00" + secret)
        + segment(0xFE, secret)
        + segment(0xF5, secret)
        + segment(0xEB, secret)
    )
    second_scan = plain.index(b"\xff\xda", plain.index(b"\xff\xda") + 2)
    between = plain.rindex(b"\xff\xc4", 0, second_scan)  # tables stand between scans, and so may
    data = plain[:2] + told + plain[2:between] + told + plain[between:] + told + b"video" + secret
    clean = strip_metadata(data).data
    assert b"SECRET" not in clean
    kept = segments(clean)
    assert any(content.startswith(b"ICC_PROFILE") for mark, content in kept if mark == 0xE2)
    assert any(content.startswith(b"JFIF") for mark, content in kept if mark == 0xE0)
    assert [len(c) for m, c in kept if m == 0xDA] == [
        len(c) for m, c in segments(plain) if m == 0xDA
    ]
    before, after = Image.open(io.BytesIO(plain)), Image.open(io.BytesIO(clean))
    assert np.array_equal(np.asarray(before), np.asarray(after))
