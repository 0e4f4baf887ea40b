"""What a season needs beyond looking: photos given to birds, birds put right, plans, backups."""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import func, select

from service.records.backup import verify_backup
from service.records.tables import (
    BirdRow,
    CountRow,
    DecisionRow,
    HatchRow,
    PenBirdRow,
    PenRow,
    PhotoRow,
    ReadingRow,
)
from service.records.verify import verify
from service.views.assigning import after_labels, in_order
from service.web.application import create
from tests.browser.demo import build, settings_in
from tests.conftest import DEMO
from tests.service.pictures import jpeg, picture

NOW = datetime(2026, 9, 5, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with the demo flock, without photos, to be copied."""
    home = tmp_path_factory.mktemp("demo") / "home"
    build(settings_in(home), with_photos=False).engine.dispose()
    return home


@pytest.fixture
def client(demo: Path, tmp_path: Path) -> Iterator[TestClient]:
    shutil.copytree(demo, tmp_path / "home")
    settings = settings_in(tmp_path / "home")
    with TestClient(create(settings), base_url="http://127.0.0.1") as client:
        yield client


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[TestClient]:
    with TestClient(create(settings_in(tmp_path / "empty")), base_url="http://127.0.0.1") as client:
        yield client


def store_of(client):
    return client.app.state.store


def add_photos(client, *minutes: float) -> list[str]:
    """Photos without a bird, taken so many minutes after nine."""
    names = []
    with store_of(client).writing("Ada", "photos") as session:
        for number, minute in enumerate(minutes):
            row = PhotoRow(sha256=f"{number:064x}", name=f"IMG_{number}.jpg", suffix=".jpg")
            row.taken_in, row.taken = NOW, NOW + timedelta(minutes=minute)
            session.add(row)
            names.append(row.sha256)
    return names


def test_photos_are_given_to_their_birds_as_one_act_that_can_be_taken_back(client):
    one, two, three = add_photos(client, 0, 1, 2)
    page = client.post("/assign", data={"photo": [one, two, three], "band": ["21", "21", ""]})
    assert "Take it back" in page.text
    with store_of(client).reading() as session:
        given = dict(session.execute(select(PhotoRow.sha256, BirdRow.band).join(BirdRow)).all())
    assert given == {one: "21", two: "21"}
    act = re.search(r'name="act" value="(\w+)"', page.text)[1]
    client.post("/undo", data={"act": act})
    with store_of(client).reading() as session:
        assert session.scalar(select(func.count(PhotoRow.bird_id))) == 0


def test_a_mistyped_band_is_asked_about_and_nothing_that_was_written_is_lost(client):
    one, two = add_photos(client, 0, 1)
    page = client.post("/assign", data={"photo": [one, two], "band": ["221", "22"]})
    assert page.status_code == 422
    assert re.search("[Nn]o bird 221 is on record; is it 2[12] or 2[12]", page.text)
    assert 'value="221"' in page.text
    page = client.post("/assign", data={"photo": [one, two], "band": ["221", "22"], "new": "true"})
    assert page.status_code == 200
    with store_of(client).reading() as session:
        assert session.scalar(select(BirdRow.id).where(BirdRow.band == "221"))


def test_a_band_that_is_not_on_record_is_not_guessed_from_the_files_name(client):
    files = {"file": ("17-2.jpg", jpeg(picture(4711)), "image/jpeg")}
    answer = client.post("/api/v1/photos", files=files, data={"bird": "171"}).json()
    assert answer["bird"] == ""
    assert "171" in answer["asked"]
    files = {"file": ("17-3.jpg", jpeg(picture(4712)), "image/jpeg")}
    assert client.post("/api/v1/photos", files=files).json()["bird"] == "17"


def test_an_upload_for_an_unknown_band_keeps_the_photo_and_asks(client):
    files = [("files", ("a.jpg", jpeg(picture(1)), "image/jpeg"))]
    page = client.post("/photos", files=files, data={"bird": "2l"})
    assert page.url.path == "/assign"
    assert 'value="2l"' in page.text
    answer = client.post(
        "/api/v1/photos", files={"file": ("b.jpg", jpeg(picture(2)))}, data={"bird": "2l"}
    ).json()
    assert answer["bird"] == ""
    assert "no bird 2l is on record; is it 2" in answer["asked"]


def test_a_photo_that_is_another_birds_already_is_told_and_stays_there(client):
    data = jpeg(picture(1))
    for band in ("21", "22"):
        page = client.post(
            "/photos", files=[("files", ("a.jpg", data, "image/jpeg"))], data={"bird": band}
        )
    assert "as one of bird 21" in page.text
    with store_of(client).reading() as session:
        assert session.scalars(select(BirdRow.band).join(PhotoRow)).all() == ["21"]


def test_photos_are_proposed_by_order_by_pause_and_after_a_label(client):
    names = add_photos(client, 0, 0.1, 3, 3.2, 9)
    with store_of(client).reading() as session:
        photos = session.scalars(select(PhotoRow).order_by(PhotoRow.id)).all()
        assert list(in_order(photos, ["a", "b"], 2).values()) == ["a", "a", "b", "b"]
        assert list(in_order(photos, ["a", "b", "c"], 0).values()) == ["a", "a", "b", "b", "c"]
        assert after_labels(session, photos) == {}
    client.post("/assign", data={"photo": names[2:3], "band": ["31"]})
    with store_of(client).reading() as session:
        photos = session.scalars(select(PhotoRow).where(PhotoRow.bird_id.is_(None))).all()
        assert after_labels(session, photos) == {names[3]: "31"}


def test_a_file_that_the_list_names_is_its_birds(client):
    with store_of(client).writing("Ada", "list") as session:
        session.scalar(select(BirdRow).where(BirdRow.band == "21")).photo = "IMG_7.jpg;x.jpg"
    files = [("files", ("IMG_7.jpg", jpeg(picture(3)), "image/jpeg"))]
    client.post("/photos", files=files)
    with store_of(client).reading() as session:
        assert session.scalars(select(BirdRow.band).join(PhotoRow)).all() == ["21"]


def test_a_swap_puts_both_birds_where_their_eggs_came_from(client):
    def parents(*bands):
        with store_of(client).reading() as session:
            rows = {b.band: b for b in session.scalars(select(BirdRow))}
        return [(rows[b].sire, rows[b].dam, rows[b].sex) for b in bands]

    before = parents("17", "18")
    page = client.post("/birds/17/swap", data={"other": "18"})
    assert "Take it back" in page.text
    (one, two), (was_one, was_two) = parents("17", "18"), before
    assert (one[:2], two[:2]) == (was_two[:2], was_one[:2])
    assert (one[2], two[2]) == (was_one[2], was_two[2])  # what was seen stays with the band


def test_another_band_goes_wherever_the_bird_is_named(client):
    assert client.post("/birds/11/band", data={"other": "111"}).status_code == 200
    with store_of(client).reading() as session:
        named = set(session.scalars(select(BirdRow.sire)))
        assert "111" in named
        assert "11" not in named
    assert client.get("/birds/11").status_code == 404


def test_facts_are_put_right_and_a_cock_for_a_dam_is_refused(client):
    data = {"sex": "hen", "sire": "1", "dam": "2", "hatched": "2025-03-22", "notes": "pinion"}
    assert client.post("/birds/13/facts", data=data).status_code == 200
    refused = client.post("/birds/13/facts", data=data | {"dam": "5"})
    assert refused.status_code == 422
    assert "is recorded as a cock" in refused.text
    refused = client.post("/birds/13/facts", data=data | {"genotype": "R/R Q/Q"})
    assert refused.status_code == 422


def test_many_birds_are_decided_on_or_moved_at_once(client):
    data = {"band": ["21", "22"], "choice": "keep", "reason": "sound"}
    client.post("/many-birds", data=data)
    client.post("/many-birds", data={"band": ["21", "22"], "pen": "South"})
    with store_of(client).reading() as session:
        kept = select(func.count()).select_from(DecisionRow).where(DecisionRow.choice == "keep")
        assert session.scalar(kept) == 2
        pen = session.scalar(select(PenRow.id).where(PenRow.name == "South"))
        stays = select(func.count()).select_from(PenBirdRow).where(PenBirdRow.pen_id == pen)
        assert session.scalar(stays) == 2
    refused = client.post("/many-birds", data={"choice": "keep", "reason": "sound"})
    assert "no bird is ticked" in refused.text.lower()


def test_a_decided_bird_is_asked_nothing_more(client):
    assert "What would settle it" in client.get("/birds/24").text
    client.post("/birds/24/decisions", data={"choice": "keep", "reason": "sound"})
    page = client.get("/birds/24").text
    assert "What would settle it" not in page
    assert "Decided: nothing more is asked" in page
    assert client.get("/api/v1/birds/24").json()["would_settle"] == []


def test_a_bird_nobody_has_seen_is_called_nothing(client):
    page = client.get("/birds?unread=1").text
    assert "nobody has seen it yet" in page
    assert "by its relatives" in page
    narrowed = client.get("/birds?crest=yes&order=band").text
    assert "/birds/12" in narrowed
    assert "/birds/13" not in narrowed


def test_a_reminder_stands_on_the_first_page_and_leaves_with_the_decision(client):
    recheck = {"choice": "recheck", "reason": "too young", "recheck": "2026-01-02"}
    client.post("/birds/21/decisions", data=recheck)
    assert "too young" in client.get("/").text
    assert "/birds/21" in client.get("/birds?due=1").text
    client.post("/birds/21/decisions", data={"choice": "keep", "reason": "grown"})
    assert "too young" not in client.get("/").text


def test_two_hens_are_no_pair_before_any_chick_is_scored(client):
    page = client.get("/matings/test?bird=12&mate=13")
    assert page.status_code == 422
    assert "both recorded as a hen" in page.text


def test_a_test_mating_is_gone_on_with(client):
    for scored in (["walnut", "rose"], ["walnut"]):
        client.post("/matings/test", data={"bird": "11", "mate": "2", "scored": scored})
        page = client.get("/matings/test?bird=11&mate=2").text
        assert "Kept of these two so far" in page
    assert "Test matings on record" in page
    assert "11 x 2</a>: 3 chicks so far" in page
    with store_of(client).reading() as session:
        assert session.scalar(select(func.sum(CountRow.chicks))) == 3


def test_a_plan_of_the_birds_at_hand_becomes_pens_whose_sheets_are_printed(client):
    page = client.get("/matings/plan?goal=true-breeding&pen=2").text
    chosen = re.findall(r'name="chosen" value="([^"]+)"', page)
    assert len(chosen) > 3
    client.post("/birds/1/decisions", data={"choice": "layer or pet home", "reason": "old"})
    without = client.get("/matings/plan?goal=true-breeding&pen=2").text
    assert "Without 1 bird that you decided to let go" in without
    assert '["1"' not in without.replace("&#34;", '"')
    picked = chosen[1].replace("&#34;", '"')
    client.post("/matings/plan", data={"chosen": [picked], "name": "2027", "on": "2027-01-10"})
    with store_of(client).reading() as session:
        pen = session.scalar(select(PenRow).where(PenRow.name.startswith("2027-1 (")))
        stays = session.scalars(select(PenBirdRow).where(PenBirdRow.pen_id == pen.id)).all()
        assert len(stays) == 3
    for path in ("/flock/pens.pdf", "/flock/labels.pdf", f"/flock/pens/{pen.id}/buyer.pdf"):
        assert client.get(path).content.startswith(b"%PDF"), path
    refused = client.post("/matings/plan", data={"chosen": ["nonsense"], "name": "2027"})
    assert refused.status_code == 422
    assert client.get("/matings/plan?goal=R/Q").status_code == 422


def test_a_backup_goes_from_one_computer_to_another_by_the_page(client, empty, tmp_path):
    add = [("files", ("a.jpg", jpeg(picture(1)), "image/jpeg"))]
    client.post("/photos", files=add, data={"bird": "21"})
    data = client.get("/keeping/backup.zip").content
    path = tmp_path / "taken.zip"
    path.write_bytes(data)
    assert len(verify_backup(path)) == 1
    page = empty.post("/keeping/restore", files={"file": ("taken.zip", io.BytesIO(data))})
    assert "All records and 1 photo are back" in page.text
    assert "39 birds" in empty.get("/birds").text
    assert verify(store_of(empty)).clean
    again = empty.post("/keeping/restore", files={"file": ("taken.zip", io.BytesIO(data))})
    assert again.status_code == 422  # not over what is there, unless that was said
    wrong = empty.post("/keeping/restore", files={"file": ("x.zip", b"no backup")})
    assert 400 <= wrong.status_code < 600
    assert "39 birds" in empty.get("/birds").text


def test_the_demo_flock_comes_and_goes_and_birds_of_ones_own_stay(empty):
    empty.post("/demo")
    assert "39 birds" in empty.get("/birds").text
    empty.post("/new-bird", data={"band": "own", "sex": "cock"})
    page = empty.post("/demo/away").text
    assert "Take it back" in page
    store = store_of(empty)
    with store.reading() as session:
        assert session.scalars(select(BirdRow.band)).all() == ["own"]
        for kind in (HatchRow, PenRow, PhotoRow, ReadingRow):
            assert session.scalar(select(func.count()).select_from(kind)) == 0, kind
    assert verify(store).clean
    assert empty.post("/demo").status_code == 409  # not beside birds of one's own


def test_an_empty_pen_of_ones_own_outlives_the_demo_flock(empty):
    empty.post("/demo")
    with store_of(empty).writing("Ada", "a pen") as session:
        session.add(PenRow(name="mine"))
    empty.post("/demo/away")
    with store_of(empty).reading() as session:
        assert session.scalars(select(PenRow.name)).all() == ["mine"]


def test_a_demo_bird_with_chicks_of_ones_own_isnt_thrown_away(empty):
    empty.post("/demo")
    empty.post("/new-bird", data={"band": "own", "sire": "1"})
    refused = empty.post("/demo/away")
    assert refused.status_code == 409
    assert "39 birds" not in refused.text


def test_what_others_read_is_shown_after_a_blind_look_and_no_band_before(client):
    sent = {f"{n}.jpg": (DEMO / f"{n}.jpg").read_bytes() for n in (21, 23)}
    files = [("files", (name, data, "image/jpeg")) for name, data in sent.items()]
    client.post("/photos", files=files)
    page = client.get("/sort/blind?by=Zoe").text
    assert "21.jpg" not in page
    assert "23.jpg" not in page
    sha256 = re.search(r"/photos/([0-9a-f]{64})/comb", page)[1]
    back = re.search(r'name="back" value="([^"]+)"', page)[1].replace("&amp;", "&")
    data = {"comb": "rose", "blind": "true", "by": "Zoe", "back": back}
    after = client.post(f"/photos/{sha256}/comb", data=data).text
    assert "The photo before" in after
    assert "Zoe rose" in after
    assert "the reader" in after
