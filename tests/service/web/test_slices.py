"""Long lists for programs: some at a time, with the headers of RFC 8288."""

import re

import pytest
from fastapi.testclient import TestClient

from service.settings import Settings
from service.web.application import create


@pytest.fixture
def client(tmp_path):
    pages = create(Settings(tmp_path, f"sqlite:///{tmp_path / 'flock.sqlite3'}"))
    with TestClient(pages, base_url="http://127.0.0.1") as client:
        yield client


def fill(client, count):
    rows = "\n".join(f"b{i}" for i in range(count))
    files = {"file": ("flock.csv", f"bird\n{rows}\n".encode(), "text/csv")}
    assert client.post("/api/v1/birds", files=files).status_code == 200


def following(client, first):
    """Every part of a list, by its own links."""
    address = first
    while address:
        answer = client.get(address)
        yield answer
        link = re.search(r'<([^>]+)>; rel="next"', answer.headers.get("Link", ""))
        address = link.group(1) if link else ""


def test_a_list_is_read_whole_by_its_links(client):
    fill(client, 25)
    parts = list(following(client, "/api/v1/birds?count=10"))
    assert [len(part.json()) for part in parts] == [10, 10, 5]
    assert [bird["bird"] for part in parts for bird in part.json()] == [f"b{i}" for i in range(25)]
    assert {part.headers["X-Total-Count"] for part in parts} == {"25"}
    assert 'rel="prev"' not in parts[0].headers["Link"]
    assert 'start=0&count=10>; rel="prev"' in parts[1].headers["Link"]
    assert 'rel="next"' not in parts[2].headers["Link"]


def test_trail_and_sorting_speak_the_same_two_words(client):
    for name in ("one", "two", "three"):
        assert client.post("/api/v1/new-birds", json={"band": name}).status_code == 200
    parts = list(following(client, "/api/v1/trail?count=1"))
    total = int(parts[0].headers["X-Total-Count"])
    acts = [act["batch"] for part in parts for act in part.json()]
    assert len(acts) == len(set(acts)) == total >= 3
    empty = client.get("/api/v1/sort?start=0&count=5")
    assert empty.headers["X-Total-Count"] == "0"
    assert "Link" not in empty.headers
    past = client.get("/api/v1/birds?start=99")
    assert past.json() == []
    for address in ("birds", "trail", "sort"):
        assert client.get(f"/api/v1/{address}?count=0").status_code == 422
        assert client.get(f"/api/v1/{address}?start=-1").status_code == 422


def test_names_of_operations_follow_from_method_and_address_alone(settings):
    paths = create(settings).openapi()["paths"]
    names = [operation["operationId"] for way in paths.values() for operation in way.values()]
    assert len(names) == len(set(names))
    assert {"get_birds", "post_birds_band_seen", "get_birds_band_opinion", "post_undo"} <= {*names}
