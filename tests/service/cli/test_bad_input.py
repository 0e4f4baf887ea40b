"""Bad input: one clear line each, the rest of the batch done, exit 1, nothing half written."""

import json
import shutil
import struct
import zlib

import numpy as np
import pytest
from PIL import Image

from classifier.photo import PhotoError, open_photo
from tests.conftest import DEMO


def bomb(path, side=30_000):
    """A PNG that claims side x side pixels and holds next to nothing (PNG specification)."""

    def chunk(kind, data):
        check = zlib.crc32(kind + data)
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", check)

    header = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    body = zlib.compress(bytes(1000))
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    )


@pytest.fixture(scope="module")
def strange(tmp_path_factory):
    """A folder with a good photo and every kind of strange one."""
    folder = tmp_path_factory.mktemp("strange")
    good = DEMO / "2.jpg"
    shutil.copy(good, folder / "good.jpg")
    (folder / "text.jpg").write_text("this is no picture")
    (folder / "truncated.jpg").write_bytes(good.read_bytes()[:9000])
    (folder / "empty.jpg").write_bytes(b"")
    bomb(folder / "bomb.png")
    picture = Image.open(good)
    picture.convert("CMYK").save(folder / "cmyk.jpg")
    grey = np.asarray(picture.convert("L"), np.uint16) * 257
    Image.fromarray(grey).save(folder / "sixteen.png")
    frames = [picture.convert("P"), picture.rotate(90).convert("P")]
    frames[0].save(folder / "moving.gif", save_all=True, append_images=frames[1:])
    import pillow_heif

    pillow_heif.register_heif_opener()
    picture.save(folder / "phone.heic")
    shutil.copy(folder / "phone.heic", folder / "renamed.jpg")
    picture.save(folder / "drawing.eps")
    (folder / "drawing.eps").rename(folder / "drawing.jpg")
    picture.save(folder / "phone.mpo", save_all=True, append_images=[picture.reduce(4)])
    (folder / "phone.mpo").rename(folder / "depth.jpg")
    return folder


REFUSED = {
    "text.jpg": "not a picture",
    "truncated.jpg": "ends early",
    "empty.jpg": "empty",
    "bomb.png": "million pixels",
    "drawing.jpg": "not a picture",
}
READ = (
    "good.jpg",
    "cmyk.jpg",
    "sixteen.png",
    "moving.gif",
    "phone.heic",
    "renamed.jpg",
    "depth.jpg",
)


@pytest.mark.parametrize(("name", "words"), REFUSED.items())
def test_what_is_no_photo_is_refused_in_one_line(strange, name, words):
    with pytest.raises(PhotoError) as error:
        open_photo(strange / name)
    assert words in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("name", READ)
def test_uncommon_pictures_are_decoded_to_upright_rgb(strange, name):
    photo = open_photo(strange / name)
    assert photo.image.mode == "RGB"
    with Image.open(DEMO / "2.jpg") as original:
        assert (photo.width, photo.height) == original.size
    mean = np.asarray(photo.image, float).mean()
    assert 40 < mean < 220


def test_exif_orientation_is_applied_and_boxes_are_of_the_upright_photo(tmp_path):
    wide = Image.new("RGB", (400, 200), (200, 30, 30))
    exif = Image.Exif()
    exif[0x0112] = 6  # EXIF 2.3: rotate 90 degrees clockwise to view
    wide.save(tmp_path / "turned.jpg", exif=exif)
    photo = open_photo(tmp_path / "turned.jpg")
    assert (photo.width, photo.height) == (200, 400)
    assert photo.image.size == (200, 400)


def test_large_photos_are_reduced_and_keep_their_full_size_in_the_books(tmp_path):
    Image.new("RGB", (4000, 3000), (90, 120, 60)).save(tmp_path / "large.jpg")
    photo = open_photo(tmp_path / "large.jpg")
    assert (photo.width, photo.height) == (4000, 3000)
    assert 1600 <= max(photo.image.size) <= 2000
    assert photo.scale == pytest.approx(photo.image.width / 4000)


def test_read_does_the_others_and_exits_1(combwright, strange):
    names = [*REFUSED, *READ, "missing.jpg"]
    run = combwright("read", *(strange / n for n in names), "--json")
    assert run.code == 1
    answers = {line["photo"].rsplit("/", 1)[1]: line for line in run.lines}
    assert list(answers) == names
    assert [n for n in names if answers[n]["ok"]] == list(READ)
    assert len(run.err.strip().splitlines()) == len(REFUSED) + 1
    assert any("first one" in d for d in answers["moving.gif"]["doubts"])
    assert not any("first one" in d for d in answers["depth.jpg"]["doubts"])


def test_triage_does_the_others_and_exits_1(combwright, strange, tmp_path):
    run = combwright("triage", strange, "--out", tmp_path / "out", "--json")
    assert run.code == 1
    assert json.loads(run.out)["unreadable"] == len(REFUSED)
    page = (tmp_path / "out" / "triage.html").read_text()
    assert f"Could not be opened ({len(REFUSED)})" in page
    rows = (tmp_path / "out" / "triage.csv").read_text().splitlines()
    assert len(rows) == 1 + len(READ)
    assert not list((tmp_path / "out").glob(".*"))


@pytest.mark.parametrize(
    "content",
    [
        b"bird,sire\n1,2\n2,1\n",
        b"bird\n1\n1\n",
        b"bird,comb\n1,strawberry\n",
        b"bird,notes\n1,gr\xfcn\n",
    ],
)
def test_a_bad_flock_list_stops_triage_before_anything_is_written(
    combwright, strange, tmp_path, content
):
    (tmp_path / "flock.csv").write_bytes(content)
    run = combwright(
        "triage", strange, "--flock", tmp_path / "flock.csv", "--out", tmp_path / "out"
    )
    assert run.code == 1
    assert len(run.err.strip().splitlines()) == 1
    assert "flock.csv, line" in run.err
    assert not (tmp_path / "out").exists()


def test_a_missing_folder_is_one_line(combwright, tmp_path):
    run = combwright("triage", tmp_path / "nowhere", "--out", tmp_path / "out")
    assert (run.code, run.out) == (1, "")
    assert run.err.strip().endswith("no such folder; give the one with the photos")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["read"],
        ["read", "a.jpg", "--box", "1,2,3"],
        ["read", "a.jpg", "b.jpg", "--box", "1,2,3,4"],
        ["triage", "."],
        ["cross", "R/r+ P/p+"],
        ["cross", "R/r+ P/p+", "X/x"],
        ["cross", "R/? P/p+", "R/r+ P/p+"],
        ["candidates", "flock.csv", "--on", "yesterday"],
        ["dance"],
    ],
)
def test_usage_errors_are_one_line(combwright, arguments):
    run = combwright(*arguments)
    assert run.code == 2
    assert run.out == ""
    assert len(run.err.strip().splitlines()) == 1


def test_three_parents_are_refused_with_the_bird_named(combwright, tmp_path):
    flock = tmp_path / "flock.csv"
    flock.write_text("bird,sire,dam\n1,,\n2,,\n3,,\n4,1;2,3\n")
    run = combwright("candidates", flock)
    assert run.code == 1
    assert "line 5, column sire: '1;2' names 2 birds, and a chick has one sire" in run.err


def test_counts_for_a_mating_that_is_not_recorded(combwright, tmp_path):
    flock = tmp_path / "flock.csv"
    flock.write_text("bird,sire,dam,sex\n1,,,cock\n2,,,hen\n")
    run = combwright("counts", "1", "9", "walnut=3", "--flock", flock)
    assert run.code == 2
    assert "bird '9' has no row" in run.err
    assert combwright("counts", "2", "1", "walnut=3", "--flock", flock).code == 2
    assert combwright("counts", "1", "2", "walnut=3", "--flock", flock).code == 0


def test_a_bad_number_of_ones_own_names_file_line_and_key(combwright, tmp_path, monkeypatch):
    mine = tmp_path / "mine.toml"
    mine.write_text("[loci.linkage.pea-egg]\nrecombination = [0.7]\n")
    monkeypatch.setenv("COMBWRIGHT_NUMBERS", str(mine))
    run = combwright("cross", "R/r+", "R/r+")
    assert run.code == 1
    assert "line 2, key loci.linkage.pea-egg.recombination: recombination 0.7 must lie" in run.err
