"""Reports made beside the pages: the same files, kept, once, in the asker's language."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, timedelta

import pytest
from fastapi.testclient import TestClient
from pypdf import PdfReader
from sqlalchemy import select

from service.actions import reports
from service.actions.desk import Desk, Job
from service.actions.jobs import Bench, do
from service.actions.kept_jobs import KeptJobs, work
from service.actions.readers import ReaderInUse
from service.actions.reports import SHEETS, ask_for, asked_for, finished, make, make_waiting
from service.errors import NotFound, StoreError
from service.flock.flock_csv import load_flock
from service.model import training_prior
from service.records.birds import take_in
from service.records.tables import ChangeRow, HatchRow, PenRow, ReportRow
from service.records.verify import verify
from service.web.application import create
from service.wording.language import speak
from tests.conftest import DEMO

ON = date(2026, 10, 4)


@pytest.fixture
def flock(store):
    """A store with the demo flock's list, a pen and a hatch."""
    with store.writing("Ann", "list") as session:
        take_in(session, load_flock(DEMO / "flock.csv"))
        session.add(PenRow(name="A"))
        session.add(HatchRow(name="April"))
    return store


@pytest.fixture
def client(flock, settings):
    with TestClient(create(settings), base_url="http://127.0.0.1") as client:
        yield client


def desk_at(store, later=None):
    return Desk(store, training_prior(), "Ann", ON, later)


def test_every_report_is_made_as_a_job_and_is_what_the_direct_way_sends(flock, settings):
    waiting: list[Job] = []
    desk = desk_at(flock, waiting.append)
    of_hatch = {name for name, sheet in SHEETS.items() if sheet.of_hatch}
    numbers = {name: ask_for(desk, name, 1 if name in of_hatch else None) for name in SHEETS}
    assert [job.values["number"] for job in waiting] == list(numbers.values())
    with flock.reading() as session, pytest.raises(NotFound, match="isn't made yet"):
        finished(session, numbers["flock.csv"])
    bench = Bench(flock, settings, ReaderInUse(flock))
    for job in waiting:
        do(bench, job)
    with flock.reading() as session:
        for name, number in numbers.items():
            row, content = finished(session, number)
            assert (row.name, row.size, row.by) == (name, len(content), "Ann")
            if name.endswith(".csv"):
                hatch = 1 if name in of_hatch else None
                assert content == reports.report_file(flock, session, name, hatch, ON)
            if name.endswith(".pdf"):
                assert PdfReader(io.BytesIO(content)).pages
        first = finished(session, numbers["labels.pdf"])[0].made
    for job in waiting:  # a worker that was killed before it said so does it again
        do(bench, job)
    with flock.reading() as session:
        assert finished(session, numbers["labels.pdf"])[0].made == first
        # What is worked out from the rest leaves nothing on the trail.
        kinds = set(session.scalars(select(ChangeRow.kind)))
        assert not kinds & {"reports", "learning"}
    assert verify(flock).clean


def test_a_report_that_waits_is_not_asked_for_twice_and_old_ones_go(flock, monkeypatch):
    monkeypatch.setattr(reports, "MOST", 4)
    desk = desk_at(flock, lambda job: None)
    first = ask_for(desk, "flock.csv")
    assert ask_for(desk, "flock.csv") == first
    speak("de", "de-DE")
    try:
        assert ask_for(desk, "flock.csv") != first  # in another language
    finally:
        speak("en", "")
    make(flock, first)
    second = ask_for(desk, "flock.csv")
    assert second != first  # the records may have changed since
    with flock.writing("Ann", "older") as session:
        session.get(ReportRow, first).asked = datetime.now(UTC) - timedelta(days=31)
    for _ in range(reports.MOST + 3):
        number = ask_for(desk, "labels.pdf")
        make(flock, number)
    with flock.reading() as session:
        kept = [row.id for row in asked_for(session)]
    assert len(kept) == reports.MOST
    assert kept[0] == number
    assert first not in kept
    make(flock, first)  # its job comes late: nothing is left to do


def test_what_stops_a_report_is_told_in_its_place(flock, monkeypatch):
    desk = desk_at(flock, lambda job: None)
    for name, hatch in (("nothing.pdf", None), ("grow-out.pdf", None), ("flock.csv", 1)):
        with pytest.raises(NotFound):
            ask_for(desk, name, hatch)
    with pytest.raises(NotFound):
        ask_for(desk, "grow-out.pdf", 99)
    number = ask_for(desk, "grow-out.csv", 1)
    with flock.writing("Ann", "gone") as session:
        session.delete(session.get(HatchRow, 1))
    make(flock, number)
    monkeypatch.setattr(reports, "LARGEST", 100)
    large = ask_for(desk, "flock.csv")
    make(flock, large)
    broken = ask_for(desk, "labels.pdf")
    monkeypatch.setattr(reports, "band_sheet", lambda session: 1 / 0)
    make(flock, broken)
    with flock.reading() as session:
        said = {row.id: row.trouble["code"] for row in asked_for(session)}
    assert said == {
        number: "no_such_report", large: "report_too_large", broken: "report_broke_off"
    }  # fmt: skip
    lost = ask_for(desk, "pens.pdf")

    def away(session):
        raise StoreError("no_database_server")

    monkeypatch.setattr(reports, "pen_sheets", away)
    with pytest.raises(StoreError):  # so that the queue tries it again
        make(flock, lost)
    monkeypatch.undo()
    make_waiting(flock)  # as a server does that was stopped meanwhile
    with flock.reading() as session:
        assert finished(session, lost)[1]


def test_pages_and_programs_ask_for_reports_and_take_them(client, flock):
    page = client.get("/flock/reports").text
    assert "None yet." in page
    german = {"Accept-Language": "de-AT"}
    page = client.post(
        "/flock/reports", data={"name": "grow-out.pdf", "hatch": "1"}, headers=german
    )
    assert page.status_code == 200
    assert "Aufzuchtbericht einer Brut" in page.text
    page = client.get("/flock/reports", headers=german).text
    assert "/flock/reports/1/grow-out.pdf" in page
    assert "wird erstellt" not in page
    sent = client.get("/flock/reports/1/grow-out.pdf")  # asked in English, made in German
    assert sent.headers["Content-Type"] == "application/pdf"
    assert "Aufzucht" in PdfReader(io.BytesIO(sent.content)).pages[0].extract_text()
    assert client.get("/flock/reports/99/grow-out.pdf").status_code == 404
    assert client.post("/flock/reports", data={"name": "grow-out.pdf"}).status_code == 404
    said = client.post("/flock/reports", data={"name": "grow-out.pdf", "hatch": "x"})
    assert said.status_code == 422

    asked = client.post("/api/v1/reports", json={"name": "flock.csv", "by": "Ada"})
    assert asked.status_code == 202
    number = asked.json()["number"]
    told = client.get(f"/api/v1/reports/{number}").json()
    assert (told["name"], told["by"], told["trouble"]) == ("flock.csv", "Ada", None)
    file = client.get(f"/api/v1/reports/{number}/file")
    assert len(file.content) == told["bytes"]
    assert file.content == client.get("/birds.csv").content
    assert [one["number"] for one in client.get("/api/v1/reports").json()] == [number, 1]
    assert client.get("/api/v1/reports/77").status_code == 404


def test_a_worker_makes_reports_from_the_queue(on_postgres):
    from service.installation import open_store

    store = open_store(on_postgres)
    kept = KeptJobs(on_postgres)
    try:
        with store.writing("Ann", "list") as session:
            take_in(session, load_flock(DEMO / "flock.csv"))
        number = ask_for(desk_at(store, kept.put), "flock.ods")
        assert len(kept.of("report", "todo")) == 1
        work(Bench(store, on_postgres, ReaderInUse(store)), wait=False)
        assert len(kept.of("report", "succeeded")) == 1
        with store.reading() as session:
            row, content = finished(session, number)
        assert content.startswith(b"PK")
        assert row.size == len(content)
    finally:
        kept.close()
        store.engine.dispose()
