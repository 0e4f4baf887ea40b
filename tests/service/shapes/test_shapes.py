"""What commands and API print is what their shapes describe: nothing missing, nothing more."""

import itertools
import json
from typing import Any

import jsonschema
import pytest
from fastapi.testclient import TestClient
from pydantic import TypeAdapter

from service.shapes.base import strangers
from service.shapes.catalogue import SHAPES, json_schema
from service.shapes.opinions import Bird, Opinion
from service.shapes.printed import NUMBERS, schema_name
from service.shapes.readings import Photo, Sorting
from service.shapes.records import BirdRow, PensAndHatches, TrailAct
from service.web.application import create
from tests.browser.demo import build, settings_in
from tests.conftest import DEMO


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """The demo flock on record, with photos, looks of people, pens and hatches."""
    settings = settings_in(tmp_path_factory.mktemp("shapes") / "home")
    build(settings).engine.dispose()
    return settings


@pytest.fixture
def at_home(home, monkeypatch):
    monkeypatch.setenv("COMBWRIGHT_HOME", str(home.home))
    monkeypatch.setenv("COMBWRIGHT_DATABASE", home.database)
    return home


def described(rows: list[dict[str, Any]]) -> set[str]:
    """The shapes of rows, each of which fits the model and the JSON Schema that it names."""
    names = set()
    for row in rows:
        name, number = row["schema"].rsplit("/", 1)
        assert number == str(NUMBERS[name])
        jsonschema.validate(row, json_schema(name))
        read = SHAPES[name].model_validate({k: v for k, v in row.items() if k != "schema"})
        assert name in FREE or strangers(read) == []
        names.add(name)
    return names


FREE = {"scores", "numbers"}  # tables whose fields are data
FLOCK = str(DEMO / "flock.csv")
COMMANDS = [
    ("reading", "read", str(DEMO / "17.jpg"), str(DEMO / "25.jpg"), "--json"),
    ("unread", "read", "/no/such.jpg", "--json"),
    ("cross", "cross", "R/r+ P/p+", "r+/r+ p+/p+", "--grid", "--working", "--json"),
    ("cross", "cross", "R Cp/r+ cp+", "R Cp/r+ cp+", "--working", "--json"),
    ("cross", "cross", "P/p+ O/o+ Cr/cr+", "p+/p+ o+/o+ cr+/cr+", "--json"),
    ("candidates", "candidates", FLOCK, "--json"),
    ("candidates", "candidates", "--json"),
    ("test-mating", "test-mating", "43", "--scored", "walnut=2", "--json"),
    ("test-mating", "test-mating", "R/? P/?", "--locus", "P", "--json"),
    ("counts", "counts", "R/r+ P/p+", "r+/r+ p+/p+", "walnut=9", "--json"),
    ("planned", "plan", FLOCK, "--json"),
    ("planned", "plan", "--pen", "3", "--json"),
    ("strategies", "strategies", "--runs", "5", "--json"),
    ("opinion", "opinion", "25", "--json"),
    ("opinion", "opinion", "17", "--json"),
    ("opinion", "opinion", "5", "--mate", "12", "--json"),
    ("grow-out", "report", "April 2026", "--out", "{tmp}/report", "--json"),
    ("act", "trail", "--json"),
    ("raters", "people", "--json"),
    ("account", "access", "list", "--json"),
    ("finding", "doctor", "--json"),
    ("numbers", "numbers", "--json"),
    ("backed-up", "backup", "{tmp}/backup.zip", "--json"),
    ("verified", "verify", "--json"),
]


@pytest.mark.parametrize(("shape", "words"), [(c[0], c[1:]) for c in COMMANDS])
def test_what_a_command_prints_is_described(combwright, at_home, tmp_path, shape, words):
    run = combwright(*(word.replace("{tmp}", str(tmp_path)) for word in words))
    printed = json.loads(run.out) if run.out.startswith("[") else run.lines
    assert printed
    assert described(printed) == {shape}


def test_what_writing_commands_print_is_described(combwright, tmp_path, monkeypatch):
    monkeypatch.setenv("COMBWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("COMBWRIGHT_DATABASE", raising=False)
    assert described(combwright("import", FLOCK, "--json").lines) == {"imported"}
    (tmp_path / "broken.jpg").write_bytes(b"no photo")
    taken = combwright("intake", DEMO / "17.jpg", tmp_path / "broken.jpg", "--json")
    assert described(taken.lines) == {"taken"}
    act = json.loads(combwright("trail", "--json").out)[-1]["batch"]
    sorted_out = combwright("triage", DEMO, "--flock", FLOCK, "--out", tmp_path / "t", "--json")
    assert described(sorted_out.lines) == {"piles"}
    combwright("backup", tmp_path / "b.zip", "--json")
    back = combwright("restore", tmp_path / "b.zip", "--replace", "--json")
    assert described(back.lines) == {"moved"}
    many = combwright("read", DEMO / "17.jpg", "--out", tmp_path / "many", "--jobs", "1", "--json")
    assert described(many.lines) == {"read"}
    assert described([json.loads((tmp_path / "many" / "_plan.json").read_text())]) == {"plan"}
    found = combwright(
        "candidates", FLOCK, "--out", tmp_path / "c.parquet", "--jobs", "1", "--json"
    )
    assert described(found.lines) == {"written"}
    taken_back = combwright("undo", act, "--json")
    assert taken_back.code == 0, taken_back.err
    assert described(taken_back.lines) == {"taken-back"}


def test_every_shape_is_printed_by_a_command_that_was_tried():
    """`evaluate` takes a set of photographs; `learned` and `pooled` are tried beside their acts."""
    tried = {c[0] for c in COMMANDS} | {"imported", "taken", "piles", "moved", "taken-back"}
    tried |= {"read", "plan", "written"}
    elsewhere = {"scores", "learned", "pooled"}
    assert tried == set(SHAPES) - elsewhere == set(NUMBERS) - elsewhere


def test_the_api_gives_what_it_describes(at_home):
    with TestClient(create(at_home), base_url="http://127.0.0.1") as client:
        asked: dict[str, Any] = {
            "/birds": list[BirdRow],
            "/birds/25": Bird,
            "/birds/17": Bird,
            "/birds/25/opinion": Opinion,
            "/sort": Sorting,
            "/flock": PensAndHatches,
            "/trail": list[TrailAct],
        }
        answers = {path: client.get(f"/api/v1{path}").json() for path in asked}
        photo = answers["/sort"]["pile"][0]["sha256"]
        asked[f"/photos/{photo}"] = Photo
        answers[f"/photos/{photo}"] = client.get(f"/api/v1/photos/{photo}").json()
    for path, shape in asked.items():
        assert strangers(TypeAdapter(shape).validate_python(answers[path])) == [], path


def test_commands_and_api_tell_the_same(combwright, at_home):
    with TestClient(create(at_home), base_url="http://127.0.0.1") as client:
        bird = client.get("/api/v1/birds/25").json()
        opinion = client.get("/api/v1/birds/25/opinion").json()
        crossed = client.get("/api/v1/cross?sire=R/r%2B P/p%2B&dam=r%2B/r%2B p%2B/p%2B").json()
    by_command = combwright("opinion", "25", "--json").lines[0]
    assert by_command.pop("schema") == schema_name("opinion")
    by_command["on"] = opinion["on"]
    assert opinion == by_command
    assert {k: bird[k] for k in opinion["candidates"]} == opinion["candidates"]
    printed = combwright("cross", "R/r+ P/p+", "r+/r+ p+/p+", "--json").lines[0]
    assert crossed | {"schema": "cross/1"} == printed


def test_every_example_of_a_request_is_what_it_describes(at_home):
    app = create(at_home)
    document = app.openapi()
    schemas = document["components"]["schemas"]
    bodies = {
        operation["requestBody"]["content"]["application/json"]["schema"]["$ref"].split("/")[-1]
        for operation in itertools.chain(*(path.values() for path in document["paths"].values()))
        if "application/json" in operation.get("requestBody", {}).get("content", {})
    }
    assert len(bodies) > 10
    for name in bodies:
        (example,) = schemas[name]["examples"]
        whole = {"$ref": f"#/components/schemas/{name}", "components": document["components"]}
        jsonschema.validate(example, whole)
