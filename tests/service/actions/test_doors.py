"""Every act through every door: the same records, the same refusals, the same trail."""

from __future__ import annotations

import html
import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient

from service import clock
from service.cli import main
from service.installation import open_store
from service.records.audit_log import acts
from service.records.backup import dump_records
from service.records.database import Store
from service.records.tables import PhotoRow
from service.settings import Settings
from service.web.application import create

LIST = """bird,sire,dam,sex,hatched,comb,comb_by
C,,,cock,2025-04-01,walnut,Ada
H,,,hen,2025-04-01,single,Ada
17,C,H,,,walnut,Ada
18,,,,,,
"""
PHOTO = "ab" * 32


@dataclass
class Answer:
    """What a door said: the refusal's sentence, or nothing."""

    refusal: str


class CommandLine:
    """Acts as commands, in this process."""

    def __init__(self, settings: Settings, tmp_path: Any, capsys: Any) -> None:
        self.folder, self.capsys = tmp_path, capsys

    def run(self, *words: str) -> Answer:
        self.capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main([*words])
        said = self.capsys.readouterr().err.strip().removeprefix("combwright: ")
        assert bool(said) == bool(ended.value.code), said
        return Answer(said)

    def bring_in(self, text: str) -> Answer:
        path = self.folder / "flock.csv"
        path.write_text(text)
        answer = self.run("import", str(path), "--json", "--by", "Ada")
        return Answer(answer.refusal.replace(str(self.folder) + "/", ""))

    def move_in(self, pen: str, bands: list[str], since: str) -> Answer:
        birds = [word for band in bands for word in ("--bird", band)]
        return self.run("note", "pen", pen, *birds, "--since", since, "--by", "Ada")

    def move_out(self, pen: str, bands: list[str], until: str) -> Answer:
        birds = [word for band in bands for word in ("--bird", band)]
        return self.run("note", "pen", pen, *birds, "--until", until, "--leave", "--by", "Ada")

    def hatch(self, name: str, pen: str, day: str, eggs: int, bands: list[str]) -> Answer:
        birds = [word for band in bands for word in ("--bird", band)]
        words = ("--pen", pen, "--hatched", day, "--eggs", str(eggs), "--by", "Ada")
        return self.run("note", "hatch", name, *words, *birds)

    def chicks(self, sire: str, dam: str, counts: dict[str, int]) -> Answer:
        words = [f"{comb}={number}" for comb, number in counts.items()]
        day = clock.today().isoformat()
        return self.run(
            "note", "chicks", sire, dam, *words, "--test", "--started", day, "--by", "Ada"
        )

    def comb(self, photo: str, comb: str) -> Answer:
        return self.run("note", "comb", photo, comb, "--blind", "--by", "Ada")

    def assign(self, photo: str, band: str) -> Answer:
        return self.run("note", "photo", photo, band, "--by", "Ada")

    def sighting(self, band: str, crest: str, wattles: str) -> Answer:
        words = ("--crest", crest, "--wattles", wattles, "--by", "Ada")
        return self.run("note", "sighting", band, *words)

    def decision(self, band: str, choice: str, reason: str, recheck: str) -> Answer:
        words = ("--reason", reason, "--recheck", recheck, "--by", "Ada")
        return self.run("note", "decision", band, choice, *words)

    def new_bird(self, band: str, sire: str) -> Answer:
        return self.run("note", "bird", band, "--new", "--sire", sire, "--by", "Ada")

    def facts(self, band: str, sex: str, dam: str) -> Answer:
        return self.run("note", "bird", band, "--sex", sex, "--dam", dam, "--by", "Ada")

    def rename(self, band: str, other: str) -> Answer:
        return self.run("note", "band", band, other, "--by", "Ada")

    def swap(self, one: str, other: str) -> Answer:
        return self.run("note", "swap", one, other, "--by", "Ada")

    def undo(self, act: str) -> Answer:
        return self.run("undo", act, "--by", "Ada")


class Pages:
    """Acts as forms."""

    def __init__(self, settings: Settings, tmp_path: Any, capsys: Any) -> None:
        self.client = TestClient(create(settings), base_url="http://127.0.0.1")
        self.client.cookies.set("who", "Ada")

    def send(self, path: str, data: dict[str, Any], files: Any = None) -> Answer:
        answer = self.client.post(path, data=data, files=files, follow_redirects=False)
        if answer.status_code == 303:
            return Answer("")
        assert 400 <= answer.status_code < 500, answer.text
        return Answer(html.unescape(answer.text))

    def bring_in(self, text: str) -> Answer:
        files = {"file": ("flock.csv", text.encode(), "text/csv")}
        kept = self.client.post("/lists", files=files, follow_redirects=False)
        if kept.status_code != 303:
            return Answer(html.unescape(kept.text))
        assert self.client.get(kept.headers["location"]).status_code == 200
        return self.send(kept.headers["location"], {})

    def move_in(self, pen: str, bands: list[str], since: str) -> Answer:
        return self.send("/flock/pens", {"name": pen, "bands": " ".join(bands), "on": since})

    def move_out(self, pen: str, bands: list[str], until: str) -> Answer:
        data = {"name": pen, "bands": " ".join(bands), "on": until, "leave": "true"}
        return self.send("/flock/pens", data)

    def hatch(self, name: str, pen: str, day: str, eggs: int, bands: list[str]) -> Answer:
        data = {"name": name, "pen": pen, "on": day, "eggs": str(eggs), "bands": " ".join(bands)}
        return self.send("/flock/hatches", data)

    def chicks(self, sire: str, dam: str, counts: dict[str, int]) -> Answer:
        scored = [comb for comb, number in counts.items() for _ in range(number)]
        return self.send("/matings/test", {"bird": sire, "mate": dam, "scored": scored})

    def comb(self, photo: str, comb: str) -> Answer:
        return self.send(f"/photos/{photo}/comb", {"comb": comb, "blind": "true"})

    def assign(self, photo: str, band: str) -> Answer:
        return self.send(f"/photos/{photo}/bird", {"bird": band})

    def sighting(self, band: str, crest: str, wattles: str) -> Answer:
        return self.send(f"/birds/{band}/seen", {"crest": crest, "wattles": wattles})

    def decision(self, band: str, choice: str, reason: str, recheck: str) -> Answer:
        data = {"choice": choice, "reason": reason, "recheck": recheck}
        return self.send(f"/birds/{band}/decisions", data)

    def new_bird(self, band: str, sire: str) -> Answer:
        return self.send("/new-bird", {"band": band, "sire": sire})

    def facts(self, band: str, sex: str, dam: str) -> Answer:
        return self.send(f"/birds/{band}/facts", {"sex": sex, "dam": dam, "sire": "C"})

    def rename(self, band: str, other: str) -> Answer:
        return self.send(f"/birds/{band}/band", {"other": other})

    def swap(self, one: str, other: str) -> Answer:
        return self.send(f"/birds/{one}/swap", {"other": other})

    def undo(self, act: str) -> Answer:
        return self.send("/undo", {"act": act})


class Interface(Pages):
    """Acts as JSON."""

    def post(self, path: str, **content: Any) -> Answer:
        answer = self.client.post(f"/api/v1{path}", json={**content, "by": "Ada"})
        return self.read(answer)

    def read(self, answer: Any) -> Answer:
        told = answer.json()
        if answer.status_code == 200:
            assert {"act", "said", "birds"} == set(told)
            assert {"code", "parameters", "sentence"} == set(told["said"])
            return Answer("")
        assert {"error", "code", "parameters"} <= set(told), told
        return Answer(told["error"])

    def bring_in(self, text: str) -> Answer:
        files = {"file": ("flock.csv", text.encode(), "text/csv")}
        return self.read(self.client.post("/api/v1/birds", files=files, data={"by": "Ada"}))

    def move_in(self, pen: str, bands: list[str], since: str) -> Answer:
        return self.post("/pens", name=pen, bands=bands, since=since)

    def move_out(self, pen: str, bands: list[str], until: str) -> Answer:
        return self.post("/pens", name=pen, bands=bands, until=until, leave=True)

    def hatch(self, name: str, pen: str, day: str, eggs: int, bands: list[str]) -> Answer:
        return self.post("/hatches", name=name, pen=pen, hatched=day, eggs=eggs, bands=bands)

    def chicks(self, sire: str, dam: str, counts: dict[str, int]) -> Answer:
        started = clock.today().isoformat()
        return self.post(
            "/matings", sire=sire, dam=dam, chicks=counts, purpose="test", started=started
        )

    def comb(self, photo: str, comb: str) -> Answer:
        return self.post(f"/photos/{photo}/comb", comb=comb, blind=True)

    def assign(self, photo: str, band: str) -> Answer:
        return self.post(f"/photos/{photo}/bird", bird=band)

    def sighting(self, band: str, crest: str, wattles: str) -> Answer:
        known = {"yes": True, "no": False, "": None}[crest]
        return self.post(f"/birds/{band}/seen", crest=known, wattles=wattles)

    def decision(self, band: str, choice: str, reason: str, recheck: str) -> Answer:
        day = recheck or None
        return self.post(f"/birds/{band}/decisions", choice=choice, reason=reason, recheck=day)

    def new_bird(self, band: str, sire: str) -> Answer:
        return self.post("/new-birds", band=band, sire=sire)

    def facts(self, band: str, sex: str, dam: str) -> Answer:
        return self.post(f"/birds/{band}/facts", sex=sex, dam=dam)

    def rename(self, band: str, other: str) -> Answer:
        return self.post(f"/birds/{band}/band", other=other)

    def swap(self, one: str, other: str) -> Answer:
        return self.post(f"/birds/{one}/swap", other=other)

    def undo(self, act: str) -> Answer:
        return self.post("/undo", act=act)


DOORS = {"command line": CommandLine, "pages": Pages, "interface": Interface}


def newest(store: Store) -> str:
    """The newest act of a keeper."""
    with store.reading() as session:
        return next(act.name for act in acts(session) if act.by == "Ada")


def all_acts(door: Any, store: Store) -> None:
    """Every act once, none of which may be refused; the decision is taken back."""
    steps = [
        lambda: door.bring_in(LIST),
        lambda: door.move_in("Barn", ["C", "H"], "2025-12-01"),
        lambda: door.hatch("April", "Barn", "2026-04-11", 12, ["17", "18"]),
        lambda: door.move_out("Barn", ["H"], "2026-06-01"),
        lambda: door.chicks("C", "H", {"walnut": 3, "rose": 1}),
        lambda: door.assign(PHOTO, "17"),
        lambda: door.comb(PHOTO, "walnut"),
        lambda: door.sighting("17", "yes", "small"),
        lambda: door.new_bird("19", "C"),
        lambda: door.facts("19", "hen", "H"),
        lambda: door.rename("19", "20"),
        lambda: door.swap("17", "20"),
        lambda: door.decision("17", "recheck", "the crest hides it", "2026-12-24"),
        lambda: door.undo(newest(store)),
    ]
    for number, step in enumerate(steps):
        assert step().refusal == "", number


# Each with what must be part of what the door says.
REFUSALS = {
    "a list with a wrong comb": (
        lambda door: door.bring_in("bird,comb\n99,strawberry\n"),
        "flock.csv, line 2, column comb: 'strawberry' is not allowed here",
    ),
    "a list whose birds don't fit": (
        lambda door: door.bring_in("bird,hatched\nC,2027-01-01\n"),
        "weeks before its chick",
    ),
    "an empty list": (lambda door: door.bring_in("bird\n"), "flock.csv: no birds in it"),
    "a stay of a bird that isn't there": (
        lambda door: door.move_in("Barn", ["nobody"], "2026-01-01"),
        "no bird with the band 'nobody'",
    ),
    "leaving a pen where the bird isn't": (
        lambda door: door.move_out("Barn", ["17"], "2026-06-02"),
        "bird '17' isn't in pen 'Barn'",
    ),
    "chicks of a hen for a sire": (
        lambda door: door.chicks("17", "17", {"walnut": 1}),
        "sire and dam are the same bird",
    ),
    "a comb that there isn't": (
        lambda door: door.comb(PHOTO, "strawberry"),
        "unknown comb 'strawberry'",
    ),
    "a comb on a photo that isn't there": (
        lambda door: door.comb("cd" * 32, "rose"),
        "no such photo",
    ),
    "a photo that isn't there": (lambda door: door.assign("cd" * 32, "17"), "no such photo"),
    "a sighting of nobody": (
        lambda door: door.sighting("nobody", "yes", ""),
        "no bird with the band 'nobody'",
    ),
    "a sighting of nothing": (lambda door: door.sighting("17", "", ""), "nothing was seen"),
    "wattles of no size": (
        lambda door: door.sighting("17", "", "huge"),
        "'huge' is no size of wattles",
    ),
    "a decision that there isn't": (
        lambda door: door.decision("17", "eat", "hungry", ""),
        "'eat' is no choice here",
    ),
    "a decision without a reason": (
        lambda door: door.decision("17", "keep", " ", ""),
        "no reason is given",
    ),
    "looking again without a day": (
        lambda door: door.decision("17", "recheck", "why", ""),
        "no day to look again is given",
    ),
    "a bird that is there already": (
        lambda door: door.new_bird("17", "C"),
        "bird 17 is on record already",
    ),
    "a parent that isn't there": (
        lambda door: door.facts("20", "hen", "HH"),
        "no bird HH is on record; is it H?",
    ),
    "a photo of a bird that isn't there": (
        lambda door: door.assign(PHOTO, "177"),
        "no bird 177 is on record; is it 17?",
    ),
    "a band given to two birds": (lambda door: door.rename("17", "18"), "18 is on record already"),
    "a swap with itself": (lambda door: door.swap("17", "17"), "17 twice"),
    "taking back what never was": (lambda door: door.undo("f" * 32), "no act"),
}


def records_of(store: Store) -> dict[str, list[dict[str, Any]]]:
    """All records without what no two runs share: moments, names of acts."""
    with store.reading() as session:
        tables = json.loads(dump_records(session))["tables"]
    names: dict[str, str] = {"": ""}
    for change in tables["changes"]:
        assert len(change.pop("seal")) == 64
        for key in ("batch", "undoes"):
            change[key] = names.setdefault(change[key], f"act {len(names)}")
        if change["said"]["code"] == "act_undo":
            change["said"]["parameters"] = {}
    text = json.dumps(tables)
    text = re.sub(r'"\d{4}-\d\d-\d\dT[^"]+"', '"a moment"', text)
    return json.loads(text)


@pytest.fixture
def walk(tmp_path, capsys, monkeypatch):
    """Opens a door on an installation of its own, with one photo in it."""
    opened = []

    def walk(name: str) -> tuple[Any, Store]:
        home = tmp_path / name.replace(" ", "-")
        home.mkdir()
        settings = Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")
        monkeypatch.setenv("COMBWRIGHT_HOME", str(home))
        monkeypatch.setenv("COMBWRIGHT_DATABASE", settings.database)
        store = open_store(settings)
        opened.append(store)
        with store.writing("Ada", "a photo") as session:
            row = PhotoRow(sha256=PHOTO, name="IMG_1.jpg", suffix=".jpg", likeness="0" * 16)
            row.taken_in = datetime.now(UTC)
            session.add(row)
        return DOORS[name](settings, tmp_path, capsys), store

    yield walk
    for store in opened:
        store.engine.dispose()


def test_every_act_leaves_the_same_records_and_the_same_trail_at_every_door(walk):
    found = {}
    for name in DOORS:
        door, store = walk(name)
        all_acts(door, store)
        found[name] = records_of(store)
    first, *others = found.values()
    assert {change["by"] for change in first["changes"]} == {"Ada"}
    assert len({change["said"]["code"] for change in first["changes"]}) == 15
    for other in others:
        for table, rows in first.items():
            assert other[table] == rows, table


@pytest.mark.parametrize("name", DOORS)
def test_what_one_door_refuses_all_refuse_and_nothing_is_written(walk, name):
    door, store = walk(name)
    all_acts(door, store)
    before = records_of(store)
    refused = 0
    for what, (act, said) in REFUSALS.items():
        answer = act(door).refusal
        assert said.lower() in answer.lower(), what  # a page begins with a capital
        refused += 1
        assert records_of(store) == before, what
    assert refused == len(REFUSALS) == 21


def test_an_act_is_taken_back_once_at_every_door(walk):
    for name in DOORS:
        door, store = walk(name)
        door.bring_in(LIST)
        door.sighting("17", "yes", "")
        act = newest(store)
        assert door.undo(act[:12]).refusal == "", name
        assert "undone already" in door.undo(act).refusal, name


def test_taking_back_what_others_rest_on_is_refused(walk):
    """The list gave the sire a day before the chick's; without it the two no longer fit."""
    door, store = walk("interface")
    door.bring_in("bird,hatched,sex\nC,2026-01-01,cock\n")
    door.bring_in("bird,sire\n17,C\n")
    day = newest(store)
    door.bring_in("bird,hatched\nC,2024-01-01\n")
    back = newest(store)
    door.hatch("May", "", "2025-05-01", 2, ["17"])
    assert "weeks before its chick" in door.undo(back).refusal
    assert "changed again since" in door.undo(day).refusal
