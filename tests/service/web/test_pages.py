"""Every page of the map with the demo flock: what is on it, what its forms do, in two languages."""

import re
import shutil
from datetime import date

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import select

from genetics.testmating import unseen
from service.records.tables import (
    CountRow,
    DecisionRow,
    HatchRow,
    PhotoRow,
    PileRow,
    ReadingRow,
    SightingRow,
)
from service.views.sorting import progress
from service.web.application import create
from service.wording.catalogue import load_catalogue, messages
from service.wording.language import LANGUAGES
from tests.browser.demo import build, settings_in
from tests.conftest import DEMO

PAGES = (
    "/",
    "/lists",
    "/new-bird",
    "/assign",
    "/sort/one",
    "/matings/plan",
    "/flock/progress",
    "/keeping",
    "/walk",
    "/walk/all/0",
    "/sort",
    "/sort/blind",
    "/birds",
    "/birds/25",
    "/birds/25/opinion",
    "/matings",
    "/matings/test",
    "/matings/ways",
    "/flock",
    "/reader",
    "/guide",
    "/changes",
)


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """The demo flock with its photos; for tests that only look."""
    settings = settings_in(tmp_path_factory.mktemp("pages"))
    build(settings)
    with TestClient(create(settings), base_url="http://127.0.0.1") as client:
        yield client


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A home with the demo flock, without photos, to be copied."""
    home = tmp_path_factory.mktemp("demo") / "home"
    build(settings_in(home), with_photos=False).engine.dispose()
    return home


@pytest.fixture
def client(demo, tmp_path):
    """The demo flock without photos; for tests that write."""
    shutil.copytree(demo, tmp_path / "home")
    settings = settings_in(tmp_path / "home")
    with TestClient(create(settings), base_url="http://127.0.0.1") as client:
        yield client


def records(client):
    return client.app.state.store.reading()


def upload(client, name, bird=""):
    data = (DEMO / f"{name}.jpg").read_bytes()
    answer = client.post(
        "/api/v1/photos", files={"file": (f"{name}.jpg", data)}, data={"bird": bird}
    )
    assert answer.status_code == 200
    return answer.json()


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("language", LANGUAGES)
def test_every_page_answers_in_both_languages(shared, path, language):
    page = shared.get(path, headers={"accept-language": language})
    assert page.status_code == 200
    assert f'<html lang="{language}">' in page.text
    assert ("kein Urteil" in page.text) == (language == "de")


def test_every_message_has_a_german_one_with_the_same_places():
    kept = {m.id if isinstance(m.id, str) else tuple(m.id): m for m in load_catalogue("de") if m.id}
    said = {m.id if isinstance(m.id, str) else tuple(m.id) for m in messages() if m.id}
    assert said == set(kept)
    for message in kept.values():
        forms = message.string if isinstance(message.string, tuple) else (message.string,)
        sources = message.id if isinstance(message.id, tuple | list) else (message.id,)
        wanted = set(re.findall(r"%\(\w+\)s|\{\w+\}", str(sources[-1])))
        for form in forms:
            assert form
            assert set(re.findall(r"%\(\w+\)s|\{\w+\}", str(form))) == wanted


def test_a_language_is_kept_once_it_is_chosen(shared):
    answer = shared.post("/language", data={"code": "de", "back": "/birds"})
    assert answer.url.path == "/birds"
    assert '<html lang="de">' in answer.text
    shared.cookies.clear()
    assert '<html lang="en">' in shared.get("/birds").text


def test_doubts_and_evidence_are_told_in_german(shared):
    page = shared.get("/birds/25", headers={"accept-language": "de"}).text
    assert "Eine Haube ist da und der Kamm unklar" in page
    assert "part the feathers" not in page
    conflict = shared.get("/birds/17", headers={"accept-language": "de"}).text
    assert "so gut wie ausschließen" in conflict


def test_a_walk_names_the_next_bird_without_a_photo(client):
    with records(client) as session:
        hatch = session.scalar(select(HatchRow.id).where(HatchRow.name == "April 2026"))
    page = client.get(f"/walk/hatch/{hatch}?band=21").text
    assert 'data-band="22"' in page.split('id="following"')[1].split(">")[0]
    upload(client, "22", "22")
    page = client.get(f"/walk/hatch/{hatch}?band=21").text
    assert 'data-band="23"' in page.split('id="following"')[1].split(">")[0]
    assert "1 of 25 photographed today" in page
    assert client.get("/walk/hatch/99").status_code == 404


def test_a_walk_without_scripts_sends_a_photo_and_comes_back(client):
    data = (DEMO / "31.jpg").read_bytes()
    page = client.post(
        "/photos",
        files=[("files", ("x.jpg", data, "image/jpeg"))],
        data={"bird": "31", "back": "/walk/all/0?band=31"},
    )
    assert page.url.path == "/walk/all/0"
    assert "Take another:" in page.text
    assert "blurred" in page.text


def test_a_photo_sent_by_a_program_is_read_and_told_at_once(client):
    answer = upload(client, "31", "31")
    assert answer["bird"] == "31"
    assert answer["new"] is True
    assert answer["pile"] == "new_photo"
    assert answer["quality"][0].startswith("blurred")
    assert upload(client, "31", "31")["new"] is False
    refused = client.post("/api/v1/photos", files={"file": ("x.jpg", b"nothing")})
    assert refused.status_code == 422
    assert "not a picture" in refused.json()["error"]


def test_the_label_of_a_bird_is_read_from_its_photo(client):
    import io

    import segno

    from service.records.intake.bands import MARK

    buffer = io.BytesIO()
    segno.make_qr(f"{MARK}25").save(buffer, kind="png", scale=8)
    answer = client.post("/api/v1/labels", files={"file": ("label.png", buffer.getvalue())})
    assert answer.json() == {"band": "25"}
    blank = (DEMO / "50.jpg").read_bytes()
    assert client.post("/api/v1/labels", files={"file": ("a.jpg", blank)}).status_code == 422


def test_the_sorting_table_shows_the_worst_risk_first(shared):
    page = shared.get("/sort?pile=second_look").text
    shown = re.findall(r'name="photo" value="(\w{64})"', page)
    with records(shared) as session:
        risk = dict(
            session.execute(
                select(PhotoRow.sha256, PileRow.risk)
                .join(PileRow, PileRow.photo_id == PhotoRow.id)
                .where(PileRow.pile == "second_look", PileRow.looked_at.is_(False))
            ).all()
        )
    assert set(shown) == set(risk)
    assert [risk[s] for s in shown] == sorted(risk.values(), reverse=True)


def test_many_settled_readings_are_confirmed_at_once_and_taken_back(client):
    photos = [upload(client, name, name)["sha256"] for name in ("3", "4", "5")]
    client.get("/")
    with records(client) as session:
        assert progress(session).looked_at == 0
    page = client.post("/sort", data={"photo": photos, "by": "Ann", "back": "/sort?pile=settled"})
    assert "Take it back" in page.text
    with records(client) as session:
        assert progress(session).looked_at == 3
        looks = session.scalars(select(ReadingRow).where(ReadingRow.person)).all()
        assert {(r.by, r.comb, r.blind) for r in looks} == {("Ann", "single", False)}
    act = re.search(r'name="act" value="(\w+)"', page.text).group(1)
    client.post("/undo", data={"act": act, "back": "/sort"})
    with records(client) as session:
        assert progress(session).looked_at == 0
        assert progress(session).open["settled"] == 3
    again = client.post("/undo", data={"act": act})
    assert again.status_code == 409


def test_a_reading_is_corrected_on_the_table_and_one_is_left_open(client):
    one, two = upload(client, "2", "2")["sha256"], upload(client, "50", "50")["sha256"]
    client.post("/sort", data={"photo": [one], "comb": "other", "other": "rose", "by": "Ann"})
    client.post("/sort", data={"just": two, "photo": [one], "by": "Ann"})
    with records(client) as session:
        looks = {
            r.photo_sha256: r.comb
            for r in session.scalars(select(ReadingRow).where(ReadingRow.person))
        }
    assert looks == {one: "rose", two: ""}
    assert client.post("/sort", data={"by": "Ann"}).status_code == 422


def test_blind_mode_shows_no_reading_and_ends_when_all_is_seen(client):
    photo = upload(client, "2", "2")["sha256"]
    page = client.get("/sort/blind?by=Ann").text
    assert photo in page
    assert "%" not in page.split('id="content"')[1].split("</main>")[0]
    done = client.post(
        f"/photos/{photo}/comb",
        data={"comb": "single", "by": "Ann", "blind": "true", "back": "/sort/blind?by=Ann"},
    )
    assert "You have looked at every photo" in done.text
    with records(client) as session:
        assert session.scalar(select(ReadingRow.blind).where(ReadingRow.person)) is True


def test_a_birds_page_shows_family_evidence_and_what_would_settle_it(shared):
    page = shared.get("/birds/25").text
    assert 'href="/birds/12"' in page.split("Family")[1]
    assert "Part the crest and photograph the comb from above" in page
    steps = re.findall(r"<li>([^<]+) <span", page.split("What would settle it")[1])
    assert "test mating" in steps[-1].lower()
    found = shared.get("/api/v1/birds/25").json()["would_settle"]
    assert found == sorted(found, key=lambda step: (step["weeks"], step["minutes"]))
    assert "Chicks with 2" in shared.get("/birds/11").text


def test_what_lies_behind_a_conflict_is_told_at_once(shared):
    page = shared.get("/birds/17").text
    assert "To check, in this order: the bands of 17 and 18 are mixed up" in page


def test_what_is_seen_and_decided_is_written_down(client):
    page = client.post("/birds/21/seen", data={"beard": "no", "wattles": "small", "by": "Ann"})
    assert page.url.path == "/birds/21"
    page = client.post(
        "/birds/21/decisions",
        data={"choice": "recheck", "reason": "young", "recheck": "2026-12-24", "by": "Ann"},
    )
    assert "young" in page.text
    with records(client) as session:
        seen = session.scalars(select(SightingRow)).one()
        assert (seen.crest, seen.beard, seen.wattles, seen.by) == (None, False, "small", "Ann")
        decided = session.scalars(select(DecisionRow)).one()
        assert (decided.choice, decided.recheck) == ("recheck", date(2026, 12, 24))
    assert client.post("/birds/21/decisions", data={"choice": "keep"}).status_code == 422
    assert client.post("/birds/21/seen", data={}).status_code == 422


def test_a_cross_is_multiplied_out_as_in_the_textbooks(shared):
    """Punnett 1911: walnut F1 x F1 gives 9 walnut, 3 rose, 3 pea, 1 single of 16."""
    page = shared.get("/matings", params={"sire": "R/r+ P/p+", "dam": "R/r+ P/p+"}).text
    for share in ("9/16", "3/16", "1/16"):
        assert share in page
    assert page.count("<td>R/R P/P<br>") == 1
    assert len(re.findall(r"<td>[^<]+<br>", page)) == 16
    wrong = shared.get("/matings", params={"sire": "R/x", "dam": "r+/r+"})
    assert wrong.status_code == 422
    assert 'role="alert"' in wrong.text


def test_a_test_mating_falls_by_half_with_every_chick(shared):
    """(1/2)^n per locus: 5 chicks leave 3.1 %, the trade's rule (trade handbook, arithmetic)."""
    page = shared.get("/matings/test", params={"bird": "R/? p+/p+", "asked": "R"}).text
    assert "<strong>5 chicks</strong>" in page
    assert unseen(0.5, 5) == pytest.approx(0.03125)
    told = shared.get(
        "/matings/test", params={"bird": "R/? p+/p+", "asked": "R", "scored": ["rose", "single"]}
    ).text
    before = re.search(r"pure, before</th><td class=\"n\">(\d+)%", told)
    steps = re.findall(r"<strong>(?:&gt;)?(\d+)%</strong> that it isn", told)
    assert len(steps) == 2
    assert int(steps[0]) < int(before.group(1))  # a rose chick speaks for a pure bird
    assert int(steps[1]) > 90  # a single one all but proves the hidden allele


def test_scored_chicks_are_kept_with_both_birds(client):
    page = client.post(
        "/matings/test",
        data={"bird": "11", "mate": "2", "scored": ["walnut", "walnut", "single"], "by": "Ann"},
    )
    assert page.url.path == "/birds/11"
    with records(client) as session:
        counts = {c.comb: c.chicks for c in session.scalars(select(CountRow))}
    assert counts == {"walnut": 2, "single": 1}


def test_ways_over_generations_are_drawn_as_fans(shared):
    page = shared.get("/matings/ways").text
    assert page.count('class="band"') == 6
    assert shared.get("/matings/ways?eggs=0").status_code == 422
    assert shared.get("/matings/ways?fertile=7").status_code == 422


def test_a_pens_risk_is_told_in_words_for_a_buyer(client):
    client.post("/flock/pens", data={"name": "Sure", "bands": "1", "on": "2026-01-01"})
    page = client.get("/flock").text
    assert "Of 100 chicks expect about" in page
    assert "A cock and a hen are needed" in page
    client.post("/flock/pens", data={"name": "Sure", "bands": "2,3"})
    page = client.get("/flock").text
    pen = page.split("<h3>Sure</h3>")[1].split("</li>")[0]
    # A cock R/R P/P throws no single-combed chick, whatever the hens are.
    assert "none of 100 chicks" in pen
    assert client.post("/flock/pens", data={"name": "X", "bands": "none"}).status_code == 422


def test_a_hatch_is_written_down_and_compared_with_expectation(client):
    page = client.post(
        "/flock/hatches",
        data={"name": "Extra", "pen": "Barn", "on": "2026-04-11", "eggs": "9", "bands": "21 22"},
    )
    extra = page.text.split("<h3>Extra</h3>")[1].split("</section>")[0]
    assert "9 eggs set" in extra
    assert "2 banded birds" in extra
    assert client.post("/flock/hatches", data={"name": "Y", "eggs": "many"}).status_code == 422


def test_the_reader_tells_how_it_did_on_this_flock(shared):
    page = shared.get("/reader").text
    assert "On this flock" in page
    assert re.search(r"\d+ of 1\d photos were read as people read them blind", page)
    assert "Ann" in page.split("People who read blind")[1]


def test_the_interface_for_programs_describes_itself(shared):
    described = shared.get("/api/v1/openapi.json").json()
    assert described["openapi"].startswith("3.1")
    paths = described["paths"]
    assert all(path.startswith("/api/v1/") for path in paths)
    for path in ("/api/v1/photos", "/api/v1/birds/{band}", "/api/v1/cross", "/api/v1/undo"):
        assert path in paths
    assert shared.get("/api/v1/birds/none").json() == {
        "error": "no bird with the band 'none'; bring it in first, or check the band",
        "code": "no_such_bird",
        "parameters": {"band": "none"},
    }
    crossed = shared.get("/api/v1/cross", params={"sire": "R/r+ P/p+", "dam": "r+/r+ p+/p+"}).json()
    assert crossed["combs"] == {
        "single": 0.25,
        "rose": 0.25,
        "single_blade_pea": 0.25,
        "walnut": 0.25,
    }
    assert len(shared.get("/api/v1/birds?count=5").json()) == 5
    assert shared.get("/api/v1/flock").json()["pens"]
    assert shared.get("/api/v1/test-mating?bird=43&asked=R").json()["chicks"] == 5


def test_the_first_page_is_small_and_asks_nothing_of_others(shared):
    """Below 150 kB without photos, scripts and styles included."""
    page = shared.get("/").text
    links = set(re.findall(r'(?:src|href)="(/static/[^"#]+)', page))
    links |= {"/static/combs.svg", "/worker.js"}
    total = len(page) + sum(len(shared.get(link).content) for link in links)
    assert total < 150_000
    assert not re.search(r'(?:src|href|action)="(?:https?:)?//', page)


def test_a_forged_way_back_stays_here(shared):
    answer = shared.post(
        "/language", data={"code": "en", "back": "//elsewhere.example"}, follow_redirects=False
    )
    assert answer.headers["location"] == "/"


def test_no_text_of_a_page_tells_to_kill(shared):
    for path in PAGES:
        text = shared.get(path).text.lower()
        for word in ("cull", "kill", "slaughter", "cut its", "put down"):
            assert word not in text, (path, word)
