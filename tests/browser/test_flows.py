"""A breeder's way through the page in Chromium, on a phone and at a desk."""

import os
import re
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from tests.conftest import DEMO, ROOT

CHROMIUM = Path("/usr/bin/chromium")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's chromium"),
]
SIZES = {"phone": (390, 844), "desk": (1280, 800)}


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    home = tmp_path_factory.mktemp("home")
    server = subprocess.Popen(
        [sys.executable, "-m", "service.cli", "serve", "--port", str(port)],
        cwd=ROOT,
        env={**os.environ, "COMBWRIGHT_HOME": str(home)},
    )
    url = f"http://127.0.0.1:{port}"
    for _ in range(120):
        try:
            urllib.request.urlopen(url)
            break
        except OSError:
            time.sleep(0.5)
    yield url
    server.terminate()
    server.wait(20)


@pytest.fixture(params=SIZES)
def page(request):
    from playwright.sync_api import sync_playwright

    width, height = SIZES[request.param]
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=str(CHROMIUM),
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        page = browser.new_page(viewport={"width": width, "height": height})
        strangers: list[str] = []
        page.on("request", lambda r: strangers.append(r.url) if "127.0.0.1" not in r.url else None)
        problems: list[str] = []
        page.on("pageerror", lambda e: problems.append(str(e)))
        yield page
        assert strangers == []
        assert problems == []
        browser.close()


def fits(page) -> bool:
    return page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_from_photo_to_candidates_and_back_by_hand(page, address):
    page.goto(f"{address}/birds")
    page.get_by_label("Flock list (flock.csv)").set_input_files(DEMO / "flock.csv")
    page.get_by_role("button", name="Take it in").click()
    page.get_by_text("39 birds").wait_for()
    assert fits(page)

    page.get_by_role("link", name="Heads").click()
    page.get_by_label("Photos of heads").set_input_files(DEMO / "17.jpg")
    page.get_by_label("Band of the bird, if all are of one bird").fill("17")
    page.get_by_role("button", name="Read the combs").click()
    page.wait_for_url(re.compile("/photos/"))
    page.get_by_text("Genotype candidates of bird 17").wait_for()
    assert page.get_by_text("Photo 17.jpg says single").is_visible()
    assert page.get_by_text("Second look", exact=True).is_visible()
    assert fits(page)

    page.get_by_label("single", exact=True).check()
    page.get_by_label("Who looked").fill("Keeper")
    page.get_by_role("button", name="Write it down").click()
    assert page.get_by_role("heading", level=1).inner_text() == "Single, by hand"
    assert fits(page)


def test_dropped_photos_are_read(page, address):
    page.goto(address)
    page.evaluate(
        """async (url) => {
            const canvas = document.createElement("canvas");
            canvas.width = canvas.height = 300;
            canvas.getContext("2d").fillRect(0, 0, 300, 300);
            const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg"));
            const data = new DataTransfer();
            data.items.add(new File([blob], "dropped.jpg", { type: "image/jpeg" }));
            document.getElementById("take").dispatchEvent(
                new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true }));
        }""",
        address,
    )
    page.wait_for_url(re.compile("/photos/"))
    assert "No head was found" in page.content()


def test_the_keyboard_alone_reaches_the_form(page, address):
    page.goto(address)
    reached = []
    for _ in range(8):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id || document.activeElement.tagName"))
    assert "files" in reached
    assert "bird" in reached
