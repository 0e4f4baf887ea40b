"""The web page as a visitor uses it: forms, pages, what a restart keeps."""

import io
import json
import re

import pytest
from fastapi.testclient import TestClient
from PIL import Image

from service.settings import Settings
from service.web.application import create
from tests.conftest import DEMO


@pytest.fixture
def home(tmp_path):
    return Settings(tmp_path, f"sqlite:///{tmp_path / 'flock.sqlite3'}")


@pytest.fixture
def client(home):
    with TestClient(create(home), base_url="http://127.0.0.1") as client:
        yield client


def send(client, *names, bird=""):
    files = [("files", (f"{n}.jpg", (DEMO / f"{n}.jpg").read_bytes(), "image/jpeg")) for n in names]
    return client.post("/photos", files=files, data={"bird": bird, "new": "true"})


def take_flock(client):
    data = (DEMO / "flock.csv").read_bytes()
    return bring_list(client, data)


def bring_list(client, data, name="flock.csv"):
    """A list chosen and, where nothing is wrong with it, taken in as it was looked over."""
    seen = client.post("/lists", files={"file": (name, data, "text/csv")})
    if seen.status_code != 200 or 'id="take-in"' not in seen.text:
        return seen
    return client.post(str(seen.url.path))


def test_the_first_page_invites_photos(client):
    page = client.get("/")
    assert page.status_code == 200
    assert 'type="file"' in page.text
    assert "No photo yet" in page.text


def test_a_photo_is_read_and_shown_with_all_that_a_breeder_needs(client):
    page = send(client, "46")
    assert re.search(r"/photos/[0-9a-f]{64}$", str(page.url))
    for words in (
        "Crest-folded single",
        "Second look",
        "single comb that the crest folds",
        "none of these six",
        "What you see",
        "Which bird",
    ):
        assert words in page.text
    why = client.get(str(page.url) + "/why.jpg")
    assert why.headers["content-type"] == "image/jpeg"
    assert len(why.content) > 10_000
    head = client.get(str(page.url) + "/head.jpg")
    assert Image.open(io.BytesIO(head.content)).size == (420, 420)


def test_several_photos_come_back_as_a_list(client):
    page = send(client, "2", "11")
    assert page.url.path == "/assign"  # neither has a bird yet
    page = client.get("/sort")
    assert client.get("/").text.count("/head.jpg") == 2


def test_a_bird_chosen_shows_its_candidates_as_three_by_three(client):
    assert take_flock(client).status_code == 200
    page = send(client, "11", bird="11")
    assert "Genotype candidates of bird 11" in page.text
    table = page.text.split("Genotype candidates")[1].split("</table>")[0]
    assert re.findall(r'scope="col">([^<]+)<', table) == ["P/P", "P/p+", "p+/p+"]
    assert re.findall(r'scope="row">([^<]+)<', table) == ["R/R", "R/r+", "r+/r+"]
    assert len(re.findall(r"<td class=", table)) == 9
    assert re.search(r"<td[^>]*>&gt;99%|<td[^>]*>9\d%", table)


def test_a_correction_by_hand_is_kept_and_moves_the_candidates(client):
    page = send(client, "22", bird="new")
    url = str(page.url)
    corrected = client.post(url + "/comb", data={"comb": "rose", "by": "Keeper"})
    assert "Rose, by hand" in corrected.text
    assert "Keeper: rose" in corrected.text
    assert "read by Keeper" in client.get("/birds/new").text


def test_a_restart_loses_nothing(home):
    with TestClient(create(home), base_url="http://127.0.0.1") as first:
        take_flock(first)
        url = str(send(first, "23", bird="23").url)
        first.post(url + "/comb", data={"comb": "walnut", "by": "Keeper"})
        before = first.get(url).text
    with TestClient(create(home), base_url="http://127.0.0.1", cookies={"who": "Keeper"}) as second:
        assert second.get(url).text == before
        assert second.get(url + "/head.jpg").status_code == 200
        assert "39 birds" in second.get("/birds").text
    kept = [p for p in home.photos.rglob("*.jpg")]
    assert len(kept) == 1
    assert kept[0].stem in url


def test_the_same_photo_twice_is_kept_once(client, home):
    first, second = send(client, "2"), send(client, "2")
    assert first.url == second.url
    assert len([p for p in home.photos.rglob("*.jpg")]) == 1


def test_what_is_no_photo_is_told_and_not_kept(client, home):
    files = [
        ("files", ("notes.jpg", b"no picture", "image/jpeg")),
        ("files", ("2.jpg", (DEMO / "2.jpg").read_bytes(), "image/jpeg")),
    ]
    page = client.post("/photos", files=files)
    assert "notes.jpg: not a picture" in page.text
    assert "1 other was kept" in page.text
    assert len([p for p in home.photos.rglob("*.jpg")]) == 1


def test_a_bad_flock_list_takes_in_nothing(client):
    bad = b"bird,sire\n1,\n2,9\n"
    page = bring_list(client, bad)
    assert "line 3, column sire" in page.text
    assert client.post(str(page.url.path)).status_code == 422
    assert "No bird yet" in client.get("/birds").text


def test_a_list_that_contradicts_the_kept_birds_takes_in_nothing(client):
    first = b"bird,sire,sex\na,,cock\nb,a,cock\n"
    assert "/birds" in str(bring_list(client, first).url)
    second = b"bird,sire,sex\nb,,cock\na,b,cock\nc,,hen\n"
    assert "/birds" in str(bring_list(client, second).url)
    third = b"bird,sire,sex\nc,,cock\nd,c,\n"
    assert "/birds" in str(bring_list(client, third).url)
    fourth = b"bird,sex\nc,hen\n"
    page = bring_list(client, fourth)
    assert client.post(str(page.url.path)).status_code == 422
    assert "recorded as a hen" in page.text
    assert "4 birds" in client.get("/birds").text


@pytest.mark.parametrize("path", ["/photos/none", "/birds/none", "/nowhere"])
def test_what_is_not_there_is_a_page_that_says_so(client, path):
    page = client.get(path)
    assert page.status_code == 404
    assert "Back to the first page" in page.text


def test_names_from_outside_are_escaped(client):
    page = send(client, "2", bird="<script>alert(1)</script>")
    assert "<script>alert" not in page.text
    assert "&lt;script&gt;alert" in page.text


def test_forms_from_elsewhere_are_refused_and_pages_cannot_be_framed(client):
    refused = client.post("/birds", headers={"origin": "http://elsewhere.example"})
    assert refused.status_code == 403
    policy = client.get("/").headers["content-security-policy"]
    assert "frame-ancestors 'none'" in policy


def test_no_page_tells_to_kill_and_all_say_that_a_reading_is_no_verdict(client):
    take_flock(client)
    for page in (client.get("/"), send(client, "17", bird="17"), client.get("/birds/17")):
        assert "evidence, not a verdict" in page.text
        assert not re.search(r"\b(kill|cull|slaughter)", page.text, re.IGNORECASE)


def test_a_reading_comes_back_from_the_store_as_it_was(reader):
    from datetime import UTC, datetime

    from classifier.photo import open_photo
    from service.records.readings import reading_from_row, row_from_reading

    reading = reader.read([open_photo(DEMO / "2.jpg")])[0]
    row = row_from_reading(reading, datetime.now(UTC))
    row.content = json.loads(json.dumps(row.content))
    assert reading.outline
    assert reading_from_row(row) == reading


def test_a_zip_of_photos_is_taken_in(client):
    import zipfile

    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name in ("17", "18"):
            archive.writestr(f"lot/{name}.jpg", (DEMO / f"{name}.jpg").read_bytes())
        archive.writestr("lot/bad.jpg", b"nothing")
    page = client.post("/photos", files=[("files", ("lot.zip", buffer.getvalue()))])
    assert "bad.jpg: not a picture" in page.text
    assert "2 others were kept" in page.text
    bad = client.post("/photos", files=[("files", ("lot.zip", b"PK no"))])
    assert "not a ZIP archive" in bad.text


def test_photos_without_a_reading_are_shown_and_read_at_the_next_start(home):
    import time

    from service.installation import open_store
    from service.records.intake.journal import Options, one
    from service.records.intake.sources import File

    with TestClient(create(home), base_url="http://127.0.0.1") as client:
        store = open_store(home)
        data = (DEMO / "17.jpg").read_bytes()
        taken = one(store, File("17.jpg", lambda: data), Options(band="17"), set())
        assert "waits to be read" in client.get("/").text
        assert "not read yet" in client.get(f"/photos/{taken.sha256}").text
        assert "Genotype candidates of bird 17" in client.get("/birds/17").text
    with TestClient(create(home), base_url="http://127.0.0.1") as client:
        for _ in range(100):
            if "waits to be read" not in client.get("/").text:
                break
            time.sleep(0.2)
        assert "What the photo shows" in client.get(f"/photos/{taken.sha256}").text


def test_a_blind_reading_is_marked_and_a_second_one_is_not_blind(client):
    url = str(send(client, "23", bird="23").url)
    blind = client.get(url + "/blind").text
    assert "What do you see?" in blind
    assert "none of these six" not in blind
    form = {"comb": "walnut", "by": "Ada", "blind": "true"}
    assert "Ada: walnut, blind" in client.post(url + "/comb", data=form).text
    again = client.post(url + "/comb", data={**form, "comb": "rose"}).text
    assert "Ada: rose</li>" in again


def test_what_changed_since_the_last_look_is_shown(client):
    take_flock(client)
    first = client.post("/birds/31/changes").text
    assert "Nothing since the last look" in first
    url = str(send(client, "31", bird="31").url)
    client.post(url + "/comb", data={"comb": "rose", "by": "Ada"})
    assert "new: photo 31.jpg read by Ada" in client.post("/birds/31/changes").text


def test_the_flock_list_comes_out_again(client):
    take_flock(client)
    text = client.get("/birds.csv").text
    assert text.splitlines()[0].startswith("bird,sire,dam")
    assert len(text.splitlines()) == 40


def test_the_place_a_photo_was_taken_is_not_kept(client, home):
    from tests.service.pictures import telling_exif

    photo = Image.open(DEMO / "17.jpg")
    buffer = io.BytesIO()
    photo.save(buffer, "JPEG", exif=telling_exif(1))
    client.post("/photos", files=[("files", ("a.jpg", buffer.getvalue()))])
    kept = [p for p in home.photos.rglob("*.jpg") if b"SERIAL4711" in p.read_bytes()]
    assert kept == []
    assert list(home.photos.rglob("*.jpg"))
