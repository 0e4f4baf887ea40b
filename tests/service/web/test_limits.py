"""What a visitor may send, and what an answer says when nobody foresaw what happened."""

import asyncio
import io
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import zipfile

import httpx
import pytest
from fastapi.testclient import TestClient

from benchmarks.memory import flat_png
from benchmarks.served import served
from service.errors import TooLarge
from service.settings import Settings
from service.web import body
from service.web.application import create
from service.web.body import Body, TooSlow
from tests.conftest import ROOT
from tests.service.pictures import jpeg, picture

BASE = "http://127.0.0.1"


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    home = tmp_path_factory.mktemp("limits")
    return create(Settings(home, f"sqlite:///{home / 'flock.sqlite3'}"))


@pytest.fixture
def client(app):
    return TestClient(app, base_url=BASE, raise_server_exceptions=False)


def test_a_body_over_its_limit_is_refused_before_it_is_read(client):
    large = client.post("/api/v1/pens", content=b"x" * 300_001)
    assert (large.status_code, large.json()["code"]) == (413, "body_too_large")
    assert large.headers["connection"] == "close"

    def pieces():
        for _ in range(40):
            yield b"x" * 10_000

    form = {"content-type": "application/x-www-form-urlencoded"}
    unsaid = client.post("/sort", content=pieces(), headers=form)  # without a length beforehand
    assert unsaid.status_code == 413
    page = client.post("/birds", files={"file": ("a.csv", b"bird\n" + b"x" * 11_000_000)})
    assert page.status_code == 413
    assert "the most that is taken here at once" in page.text


def test_a_list_over_its_limit_is_refused_and_never_cut_short(client, combwright, tmp_path):
    rows = b"bird\n" + b"".join(b"%d\n" % number for number in range(10_000_000 // 8 + 200_000))
    assert len(rows) > 10_000_000
    said = client.post("/api/v1/birds", files={"file": ("a.csv", rows[:10_900_000])})
    assert (said.status_code, said.json()["code"]) == (413, "list_over_limit")
    assert client.get("/api/v1/birds").json() == []
    path = tmp_path / "a.csv"
    path.write_bytes(rows)
    run = combwright("import", path)
    assert run.code == 1
    assert "may have 10000000 bytes" in run.err


def test_many_columns_are_refused_at_once(client):
    wide = ("bird," + ",".join(f"c{i}" for i in range(120_000)) + "\n1" + "," * 120_000).encode()
    begun = time.monotonic()
    said = client.post("/api/v1/birds", files={"file": ("wide.csv", wide)})
    assert said.json()["code"] == "too_many_columns"
    assert time.monotonic() - begun < 2


@pytest.mark.parametrize(
    ("path", "data"),
    [
        ("/api/v1/birds/1/decisions", {"choice": "keep", "reason": "x" * 4001}),
        ("/api/v1/birds/1/decisions", {"choice": "keep", "reason": "bell \x07"}),
        ("/api/v1/birds/1/decisions", {"choice": "keep", "reason": "half \ud800"}),
        ("/api/v1/pens", {"name": "nul \x00"}),
        ("/api/v1/hatches", {"name": "first", "hatched": "0001-01-01"}),
        ("/api/v1/hatches", {"name": "many", "eggs": 2**31}),
    ],
)
def test_text_and_numbers_that_cannot_be_kept_are_refused(client, path, data):
    client.post("/api/v1/birds", files={"file": ("a.csv", b"bird\n1\n")})
    text = json.dumps(data)
    said = client.post(path, content=text, headers={"content-type": "application/json"})
    assert said.status_code == 422, said.text
    assert said.json()["error"]


def test_a_damaged_member_of_an_archive_is_one_bad_photo(client):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.jpg", jpeg(picture(31)))
        archive.writestr("b.jpg", jpeg(picture(32)) * 3)
    data = bytearray(out.getvalue())
    second = data.rindex(b"b.jpg", 0, data.index(b"PK\x01\x02"))
    for at in range(second + 60, second + 90):
        data[at] ^= 0x55
    page = client.post("/photos", files={"files": ("lot.zip", bytes(data))})
    assert page.status_code == 200
    assert "damaged in the archive" in page.text
    assert "1 other was kept" in page.text


def test_a_small_file_that_asks_for_gigabytes_ends_as_its_own_complaint(client):
    bomb = flat_png(7000, 7000, 16, 6)
    assert len(bomb) < 1_000_000
    said = client.post("/api/v1/photos", files={"file": ("a.png", flat_png(12_000, 12_000, 8, 6))})
    assert "million pixels" in said.json()["error"]
    good = client.post("/api/v1/photos", files={"file": ("good.jpg", jpeg(picture(33)))})
    assert good.status_code == 200


def test_a_decoder_that_takes_too_much_or_too_long_is_ended_and_the_next_photo_is_read():
    from classifier.photo import PhotoError
    from service.records.intake.decoding import Decoder

    tight = Decoder(memory=60_000_000)
    with pytest.raises(PhotoError) as costly:
        tight.ask("prepare", {"name": "a.png", "codes": True}, flat_png(6000, 6000, 8, 2))
    assert costly.value.code == "photo_too_costly"
    small, clean = tight.ask("prepare", {"name": "b.jpg", "codes": True}, jpeg(picture(1)))
    assert small["likeness"]
    assert clean[:2] == b"\xff\xd8"
    tight.end()
    hasty = Decoder(seconds=0.01)
    with pytest.raises(PhotoError) as slow:
        hasty.ask("prepare", {"name": "a.png", "codes": True}, flat_png(5000, 5000, 8, 2))
    assert slow.value.code == "photo_too_slow"
    hasty.end()


def test_what_nobody_foresaw_is_one_line_with_a_number_that_the_log_has(client, app, caplog):
    real, app.state.store = app.state.store, None
    try:
        page, api = client.get("/birds"), client.get("/api/v1/birds")
    finally:
        app.state.store = real
    assert page.status_code == api.status_code == 500
    number = re.search(r"number ([0-9A-F]{6})", page.text)[1]
    assert f"number {number}" in caplog.text
    assert "Traceback" not in page.text
    assert "AttributeError" in caplog.text
    assert api.json()["code"] == "unexpected"
    for answer in (page, api, client.get("/nowhere"), client.get("/static/nothing.css")):
        assert "base-uri 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_trace_of_the_command_line_is_kept_under_its_number(tmp_path, combwright, monkeypatch):
    monkeypatch.setenv("COMBWRIGHT_HOME", str(tmp_path))

    def broken(*_):
        raise ZeroDivisionError("nobody foresaw this")

    monkeypatch.setattr("service.flock.crosses.cross", broken)
    run = combwright("cross", "R/r+ P/p+", "r+/r+ p+/p+")
    assert run.code == 1
    (line,) = run.err.splitlines()
    number = re.search(r"number ([0-9A-F]{6})", line)[1]
    log = tmp_path / "unexpected.log"
    assert f"{number} " in log.read_text()
    assert "ZeroDivisionError: nobody foresaw this" in log.read_text()
    assert log.stat().st_mode & 0o777 == 0o600


def test_a_body_that_drips_is_given_up(monkeypatch):
    monkeypatch.setattr(body, "IDLE", 0.05)

    async def never():
        await asyncio.sleep(5)

    with pytest.raises(TooSlow):
        asyncio.run(Body(never, 10)())
    monkeypatch.setattr(body, "FIRST", 0.0)

    async def drip():
        await asyncio.sleep(0.01)
        return {"type": "http.request", "body": b"x", "more_body": True}

    async def all_of_it():
        dripping = Body(drip, 10_000)
        while True:
            await dripping()

    with pytest.raises(TooSlow):
        asyncio.run(all_of_it())

    async def flood():
        return {"type": "http.request", "body": b"x" * 11, "more_body": True}

    with pytest.raises(TooLarge):
        asyncio.run(Body(flood, 10)())


@pytest.mark.slow
def test_the_server_waits_for_nobody_for_ever_and_stops_when_it_is_told(tmp_path, monkeypatch):
    """Headers that don't come, too many connections, rubbish in a flood, Ctrl-C."""
    with served(tmp_path) as server:
        host, port = "127.0.0.1", int(server.url.rsplit(":", 1)[1])
        silent = socket.create_connection((host, port))
        silent.sendall(b"GET / HT")
        begun = time.monotonic()
        silent.settimeout(40)
        assert silent.recv(100) == b""  # closed by the server
        assert time.monotonic() - begun < 25
        silent.close()
        many = []
        for _ in range(230):
            one = socket.create_connection((host, port))
            many.append(one)
        many[-1].sendall(b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        many[-1].settimeout(10)
        assert b" 503 " in many[-1].recv(200)
        for one in many:
            one.close()
        time.sleep(0.5)
        assert httpx.get(f"{server.url}/health").json() == {"status": "ok"}
        for _ in range(200):
            with socket.create_connection((host, port)) as rubbish:
                rubbish.sendall(b"\x16\x03\x01 no http\r\n\r\n")
        assert httpx.get(f"{server.url}/health").status_code == 200
        server.process.send_signal(signal.SIGINT)
        assert server.process.wait(30) == 130
    log = (tmp_path / "server.log").read_text()
    assert len(log.splitlines()) < 15  # the same line once a minute
    assert "terminate called" not in log
    assert "Traceback" not in log


def test_the_log_says_a_line_once_and_how_often_it_came(capsys):
    program = (
        "import logging, time; from service.cli import logs\n"
        "logs.SAME_LINE = 0.2; logs.begin_log('json')\n"
        "for _ in range(50): logging.getLogger('x').warning('Invalid request %s', 1)\n"
        "time.sleep(0.3); logging.getLogger('x').warning('Invalid request %s', 1)"
    )
    command = [sys.executable, "-c", program]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, env={**os.environ})
    lines = [json.loads(line) for line in done.stderr.splitlines()]
    assert [line["said"] for line in lines] == [
        "Invalid request 1", "Invalid request 1 (49 more since the last)"
    ]  # fmt: skip
    assert lines[0].keys() == {"at", "level", "from", "said"}
