"""What once went wrong at one door or at all of them, each with the way it showed."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import event, select

from classifier import quality
from genetics import numbers
from genetics.planning import usual_rates
from service.flock.assessment import item_of
from service.flock.flock_csv import parse_flock
from service.installation import open_store
from service.records.birds import stored_birds, take_in
from service.records.intake.read_pending import to_read
from service.records.tables import BirdRow, ChangeRow, PhotoRow, ReadingRow
from service.settings import Settings, use_numbers
from service.web.application import create
from tests.service.pictures import jpeg, picture

FAMILY = """bird,sire,dam,sex,hatched,comb
C,,,cock,2025-04-01,walnut
H,,,hen,2025-04-01,single
17,C,H,,,walnut
18,C,H,,,single
"""


@pytest.fixture
def settings(tmp_path):
    return Settings(tmp_path / "home", f"sqlite:///{tmp_path / 'home' / 'flock.sqlite3'}")


@pytest.fixture
def client(settings):
    store = open_store(settings)
    with store.writing("Ada", "list") as session:
        take_in(session, parse_flock(FAMILY, "flock.csv", stored_birds(session)))
    store.engine.dispose()
    with TestClient(create(settings), base_url="http://127.0.0.1") as client:
        yield client


def test_a_hatch_older_than_its_sire_is_refused_on_the_page_and_the_family_goes_on(client):
    answer = client.post(
        "/flock/hatches", data={"name": "early", "on": "2025-03-01", "bands": "17 18"}
    )
    assert answer.status_code == 422
    assert "weeks before its chick" in answer.text
    with client.app.state.store.reading() as session:
        assert session.scalar(select(BirdRow.hatched).where(BirdRow.band == "17")) is None
    assert client.post("/api/v1/birds/17/seen", json={"crest": True}).status_code == 200
    files = {"file": ("flock.csv", FAMILY.encode(), "text/csv")}
    assert client.post("/api/v1/birds", files=files).status_code == 200


def test_a_hatch_on_a_later_day_is_kept(client):
    data = {"name": "late", "on": "2026-04-01", "bands": "17 18"}
    assert client.post("/flock/hatches", data=data).status_code == 200
    with client.app.state.store.reading() as session:
        hatched = session.scalar(select(BirdRow.hatched).where(BirdRow.band == "17"))
    assert hatched == date(2026, 4, 1)


def test_a_lower_limit_for_none_of_these_counts_for_photos_read_before(reader, monkeypatch):
    from classifier.photo import open_photo
    from tests.conftest import DEMO

    (reading,) = reader.read([open_photo(DEMO / "3.jpg")])
    assert "none_of_six" not in {doubt.code for doubt in reading.doubts}
    rules = {**quality.rules(), "pile": quality.rules()["pile"] | {"most_none": 0.0}}
    for module in ("classifier.reading", "service.flock.assessment"):
        monkeypatch.setattr(f"{module}.rules", lambda: rules)
    item = item_of("2", (), (reading,), None, None)
    assert item.pile == "second_look"
    assert item.reasons[0].code == "none_of_six"


def test_rates_of_ones_own_count_on_the_command_line(combwright, settings, tmp_path, monkeypatch):
    mine = tmp_path / "mine.toml"
    mine.write_text("[fertility.rates]\nfertility = 0.5\n")
    ask = ("test-mating", "R/? P/P", "--json")
    usual = combwright(*ask).lines[0]["eggs"]
    given = combwright(*ask, "--fertility", "0.5").lines[0]["eggs"]
    monkeypatch.setenv("COMBWRIGHT_NUMBERS", str(mine))
    assert combwright(*ask).lines[0]["eggs"] == given > usual
    try:
        use_numbers(replace(settings, numbers=mine))
        assert usual_rates() == (0.5, 0.8, 0.9)
        with TestClient(create(settings), base_url="http://127.0.0.1") as client:
            query = {"bird": "R/? P/P"}
            assert client.get("/api/v1/test-mating", params=query).json()["eggs"] == given
    finally:
        numbers.use({})


def test_imports_and_assignments_are_signed_by_who_is_named(client):
    client.cookies.set("who", "Ada")
    files = {"file": ("flock.csv", FAMILY.encode() + b"19,C,H,,,rose\n", "text/csv")}
    client.post("/birds", files=files)
    sent = {"files": ("IMG_1.jpg", jpeg(picture(1)), "image/jpeg")}
    photo = str(client.post("/photos", files=sent).url).rsplit("/", 1)[1]
    client.post(f"/photos/{photo}/bird", data={"bird": "17"})
    with client.app.state.store.reading() as session:
        for kind in ("birds", "photos"):
            last = session.scalars(
                select(ChangeRow.by).where(ChangeRow.kind == kind).order_by(ChangeRow.id.desc())
            ).first()
            assert last == "Ada", kind


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="this system has no tzset")
def test_the_day_is_the_keepers_own_at_every_door(client):
    """Sightings are dated by the machine's zone: two zones a day apart never agree."""
    seen = []
    before = os.environ.get("TZ")
    try:
        for zone in ("Etc/GMT+12", "Etc/GMT-14"):  # 26 hours apart
            os.environ["TZ"] = zone
            time.tzset()
            client.post("/birds/17/seen", data={"crest": "yes"})
            client.post("/api/v1/birds/18/seen", json={"crest": True})
            here = date.today()
            with client.app.state.store.reading() as session:
                query = select(ChangeRow.after).where(ChangeRow.kind == "sightings")
                rows = session.scalars(query.order_by(ChangeRow.id.desc()).limit(2)).all()
            assert [row["seen_on"] for row in rows] == [here.isoformat()] * 2
            seen.append(here)
    finally:
        os.environ.pop("TZ") if before is None else os.environ.update(TZ=before)
        time.tzset()
    assert seen[0] < seen[1]


def test_the_question_what_is_still_to_read_uses_an_index_for_each_photo(settings):
    store = open_store(settings)
    with store.writing("Ada", "photos") as session:
        for number in range(3):
            session.add(PhotoRow(sha256=f"{number:064x}", name="x.jpg", suffix=".jpg",
                                 taken_in=datetime.now(UTC)))  # fmt: skip
        session.flush()
        for by in ("one", "other"):
            session.add(ReadingRow(photo_sha256=f"{0:064x}", made=datetime.now(UTC), by=by,
                                   person=True))  # fmt: skip
    asked: list[tuple[str, Any]] = []
    event.listen(
        store.engine, "before_cursor_execute", lambda c, k, text, p, x, m: asked.append((text, p))
    )
    with store.reading() as session:
        assert [int(row.sha256) for row in to_read(session, "one")] == [1, 2]
        text, parameters = next((t, p) for t, p in asked if "FROM photos" in t)
        plan = session.connection().exec_driver_sql(f"EXPLAIN QUERY PLAN {text}", parameters)
        steps = [row[-1] for row in plan]
    assert any("CORRELATED" in step for step in steps)
    assert any("SEARCH readings USING INDEX" in step for step in steps), steps
    store.engine.dispose()
