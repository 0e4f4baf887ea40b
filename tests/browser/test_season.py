"""A breeder's first season in Chromium, from an empty home to next year's pens, no command line.

The list is a breeder's own (German headings below a title, days as 14.04.2026, saved as a German
spreadsheet program saves CSV), the photos are named by a phone. Touches are counted.
"""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageOps
from sqlalchemy import func, select

from service.installation import open_store
from service.records.backup import verify_backup
from service.records.database import Store
from service.records.tables import BirdRow, DecisionRow, PenRow, PhotoRow, PileRow
from service.records.verify import verify
from tests.browser.demo import served, settings_in
from tests.browser.test_flows import CHROMIUM, SIZES, foreign
from tests.conftest import DEMO

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's chromium"),
]
SPRING, BEGUN, EACH = "2026-04-11", datetime(2026, 9, 5, 9, 0), 2
GERMAN = {"cock": "1,0", "hen": "0,1", "yes": "ja", "no": "nein", "single": "Einfachkamm"}
GERMAN |= {"walnut": "Walnusskamm", "": ""}


@dataclass
class Finger:
    """Counts touches."""

    touches: int = 0
    by_step: dict[str, int] = field(default_factory=dict)
    step: str = ""

    def begin(self, step: str) -> None:
        self.step = step
        self.by_step[step] = 0

    def tap(self, locator: Any) -> None:
        locator.click()
        self.by_step[self.step] += 1

    def choose(self, locator: Any, value: str) -> None:
        locator.select_option(value)
        self.by_step[self.step] += 1


def chicks() -> list[str]:
    """Bands of thirty chicks of the spring that have a photo."""
    with (DEMO / "flock.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["hatched"] in (SPRING, "2025-03-22")]
    bands = [row["bird"] for row in rows if (DEMO / f"{row['bird']}.jpg").exists()]
    return bands[:30]


def german_list() -> bytes:
    """The demo flock as a breeder's own list, without what is found out later."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";")
    writer.writerow(["Zuchtbuch Walnusskämme", "", "", "", "", "", "", ""])
    writer.writerow([])
    writer.writerow(["Ring", "Vater", "Mutter", "Geschlecht", "Schlupf", "Kamm", "Haube", "Stall"])
    with (DEMO / "flock.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            day = datetime.fromisoformat(row["hatched"]) if row["hatched"] else None
            comb = row["comb"] if row["bird"] in ("1", "2", "3", "4", "5") else ""
            writer.writerow(
                [
                    row["bird"],
                    row["sire"],
                    row["dam"],
                    GERMAN[row["sex"]],
                    f"{day:%d.%m.%Y}" if day else "",
                    GERMAN[comb],
                    GERMAN[row["crest"]],
                    "Süd",
                ]
            )
    return out.getvalue().encode("cp1252")


def phone_photos(folder: Path) -> list[Path]:
    """Two photos of each chick, from either side, as a phone names and dates them."""
    found = []
    for place, band in enumerate(chicks()):
        picture = Image.open(DEMO / f"{band}.jpg").convert("RGB")
        for side in range(EACH):
            number = place * EACH + side
            taken = BEGUN + timedelta(minutes=2 * place, seconds=8 * side)
            exif = Image.Exif()
            exif.get_ifd(0x8769)[0x9003] = f"{taken:%Y:%m:%d %H:%M:%S}"
            path = folder / f"IMG_{2041 + number}.jpg"
            shown = ImageOps.mirror(picture) if side else picture
            shown.save(path, quality=92, exif=exif)
            found.append(path)
    return found


@pytest.fixture(
    params=[("phone", "de-DE"), pytest.param(("desk", "en-GB"), marks=pytest.mark.long)],
    ids=["phone", "desk"],
)
def home(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Any, str, Store, Path]]:
    from playwright.sync_api import sync_playwright

    size, locale = request.param
    width, height = SIZES[size]
    settings = settings_in(tmp_path / "home")
    with served(settings) as url, sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"]
        )
        context = browser.new_context(
            viewport={"width": width, "height": height}, locale=locale, accept_downloads=True
        )
        page = context.new_page()
        page.set_default_timeout(120_000)  # the photos are taken in beside other tests
        strangers: list[str] = []
        problems: list[str] = []
        page.on("request", lambda r: strangers.append(r.url) if foreign(r.url) else None)
        page.on("pageerror", lambda e: problems.append(str(e)))
        yield page, url, open_store(settings), tmp_path
        browser.close()
    assert strangers == []
    assert problems == []


def test_a_whole_season_by_touch_alone(home):
    page, url, store, folder = home
    finger = Finger()
    bring_the_list(page, url, store, folder, finger)
    give_photos_to_birds(page, url, store, folder, finger)
    sort_them(page, url, store, finger)
    decide(page, url, store, finger)
    plan_next_year(page, url, store, finger)
    take_a_backup(page, url, store, folder)
    assert verify(store).clean
    birds = len(chicks())
    assert finger.by_step["assign"] <= 3 * birds
    assert finger.by_step["sort"] <= 3 * birds


def bring_the_list(page, url, store, folder, finger):
    """A list of one's own, looked over and taken in, with pens and hatches of its columns."""
    finger.begin("list")
    path = folder / "Zuchtbuch.csv"
    path.write_bytes(german_list())
    page.goto(url)
    finger.tap(page.locator("a[href='/lists']").first)
    page.locator("#files").set_input_files(path)
    finger.tap(page.locator("#take button"))
    page.locator("#take-in").wait_for()  # nothing is wrong with it
    assert "Süd" in page.content()  # what Windows wrote is read rightly
    with store.reading() as session:
        assert session.scalar(select(func.count()).select_from(BirdRow)) == 0
    finger.tap(page.locator("input[name=hatches]"))
    finger.choose(page.locator("#pens"), "lives")
    finger.tap(page.locator("form[method=get] button"))
    finger.tap(page.locator("#take-in button"))
    page.locator("table.flock").wait_for()
    with store.reading() as session:
        assert session.scalar(select(func.count()).select_from(BirdRow)) == 39
        row = session.scalar(select(BirdRow).where(BirdRow.band == "25"))
        assert (row.sire, row.sex, f"{row.hatched}") == ("5", "hen", SPRING)
        assert row.hatch.name == SPRING
        assert session.scalar(select(PenRow.name)) == "Süd"


def give_photos_to_birds(page, url, store, folder, finger):
    """Sixty photos named by a phone, in one go."""
    photos = phone_photos(folder)
    assert len(photos) == 60
    page.goto(url)
    page.locator("#files").set_input_files(photos)
    page.locator("#take button").click()
    page.wait_for_url("**/assign*")
    finger.begin("assign")
    # The first three birds by touch, the rest in the order in which they were taken.
    wanted = chicks()
    for band in wanted[:3]:
        for _ in range(EACH):
            finger.tap(page.locator(f"#offers button[data-band='{band}']"))
    finger.tap(page.locator("#give"))
    page.wait_for_url("**/assign*did=*")
    with store.reading() as session:
        given = session.scalars(select(BirdRow.band).join(PhotoRow).order_by(PhotoRow.taken)).all()
        assert given == [band for band in wanted[:3] for _ in range(EACH)]
        others = {b.band for b in session.scalars(select(BirdRow))} - set(wanted)
    group = {2025: "2025-03-22", 2026: SPRING}
    for year, name in group.items():
        finger.choose(page.locator("#group"), option_of(page, name))
        finger.choose(page.locator("#fill"), "order")
        finger.choose(page.locator("#each"), f"{EACH}")
        finger.tap(page.locator("form[action='/assign'][method=get] button"))
        # Birds of another year stand below; what was filled in for them is taken out again.
        finger.tap(page.locator("#give"))
        page.wait_for_url("**/*did=*")
        assert year
    with store.reading() as session:
        rows = session.execute(select(PhotoRow.name, BirdRow.band).join(BirdRow)).all()
    found = {name: band for name, band in rows}
    due = {f"IMG_{2041 + i}.jpg": wanted[i // EACH] for i in range(60)}
    assert found == due
    assert others


def option_of(page, name):
    """The value of a group by its name."""
    return page.locator("#group option", has_text=name).first.get_attribute("value")


def sort_them(page, url, store, finger):
    """Every reading confirmed, corrected or left open, one bird after the other."""
    page.goto(f"{url}/sort")
    end = time.monotonic() + 300
    while page.request.get(f"{url}/sort/state").json()["waiting"]:
        assert time.monotonic() < end, "the photos were never read"
        time.sleep(1)
    finger.begin("sort")
    for pile in ("second_look", "new_photo", "settled"):
        page.goto(f"{url}/sort/one?pile={pile}")
        while page.locator("#answer").count():
            main = page.locator("#answer button.main")
            one = main if main.count() else page.locator("#answer button[value=unsure]")
            assert one.bounding_box()["y"] < page.viewport_size["height"]  # in reach
            with page.expect_navigation():
                finger.tap(one)
    with store.reading() as session:
        left = select(func.count()).select_from(PileRow).where(PileRow.looked_at.is_(False))
        assert session.scalar(left) == 0


def decide(page, url, store, finger):
    """Most are kept at once, one is looked at again later."""
    finger.begin("decide")
    page.goto(f"{url}/birds?pile=settled&decision=none")
    finger.tap(page.locator("#all"))
    page.locator("#choice").select_option("keep")
    page.locator("#reason").fill("sound, and its comb is as wanted")
    finger.tap(page.locator("#many fieldset button[class=small-button] >> nth=1"))
    page.locator(".did").wait_for()
    page.goto(f"{url}/birds/25")
    form = page.locator("form[action$='/decisions']")
    form.locator("#choice").select_option("recheck")
    form.locator("#reason").fill("the crest hides it")
    form.locator("#recheck").fill("2026-01-15")
    finger.tap(form.locator("button"))
    page.goto(url)
    assert page.locator("a[href='/birds?due=1']").count() == 1  # a reminder on the first page
    with store.reading() as session:
        kept = select(func.count()).select_from(DecisionRow).where(DecisionRow.choice == "keep")
        assert session.scalar(kept) >= 10


def plan_next_year(page, url, store, finger):
    """The best mating for true-breeding chicks becomes a pen, whose sheet can be printed."""
    finger.begin("plan")
    page.goto(f"{url}/matings/plan")
    finger.choose(page.locator("#goal"), "true-breeding")
    finger.choose(page.locator("#pen"), "3")
    finger.tap(page.locator("form[action='/matings/plan'][method=get] button"))
    finger.tap(page.locator("input[name=chosen]").first)
    page.locator("#on").fill("2027-01-10")
    finger.tap(page.locator("form[action='/matings/plan'][method=post] button"))
    page.wait_for_url("**/flock*")
    with store.reading() as session:
        pens = session.scalars(select(PenRow.name).order_by(PenRow.id)).all()
    assert len(pens) == 2
    assert pens[1].endswith("-1 (1)")
    for path in ("/flock/pens.pdf", "/flock/labels.pdf"):
        answer = page.request.get(url + path)
        assert answer.headers["content-type"] == "application/pdf", path


def take_a_backup(page, url, store, folder):
    """Everything in one file, which is whole."""
    page.goto(f"{url}/keeping")
    with page.expect_download() as download:
        page.locator("a[href='/keeping/backup.zip']").click()
    path = folder / "taken-along.zip"
    download.value.save_as(path)
    assert len(verify_backup(path)) == 60
