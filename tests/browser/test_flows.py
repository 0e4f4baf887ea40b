"""A breeder's way through the pages in Chromium, on a phone and at a desk."""

import io
import re
from pathlib import Path

import pytest
import segno
from playwright.sync_api import expect
from sqlalchemy import select

from service.records.intake.bands import MARK
from service.records.tables import HatchRow, PenRow, PhotoRow
from tests.browser.demo import build, served, settings_in
from tests.browser.screens import SIZES, pages
from tests.conftest import DEMO
from tests.service.wording.test_messages import english

CHROMIUM = Path("/usr/bin/chromium")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's chromium"),
]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return build(settings_in(tmp_path_factory.mktemp("home")))


@pytest.fixture(scope="module")
def address(store):
    with served(settings_in(store.photos.parent)) as url:
        yield url


@pytest.fixture(scope="module")
def hatch(store):
    with store.reading() as session:
        return session.scalar(select(HatchRow.id).where(HatchRow.name == "April 2026"))


@pytest.fixture(scope="module")
def chromium():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=str(CHROMIUM),
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield browser
        browser.close()


@pytest.fixture(params=SIZES)
def page(request, chromium):
    width, height = SIZES[request.param]
    context = chromium.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    page.size = request.param
    strangers: list[str] = []
    page.on("request", lambda r: strangers.append(r.url) if foreign(r.url) else None)
    problems: list[str] = []
    page.on("pageerror", lambda e: problems.append(str(e)))
    yield page
    context.close()
    assert strangers == []
    assert problems == []


def foreign(url: str) -> bool:
    return "127.0.0.1" not in url and not url.startswith(("blob:", "data:"))


def fits(page) -> bool:
    return page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_a_flock_list_is_taken_in(page, address):
    page.goto(f"{address}/birds")
    page.get_by_role("link", name="Bring a list").click()
    page.get_by_label("Your list").set_input_files(DEMO / "flock.csv")
    page.get_by_role("button", name="Look it over").click()
    page.get_by_role("button", name="Take in 39 birds").click()
    page.locator("caption").get_by_text("39 birds").wait_for()
    assert fits(page)


def test_from_photo_to_candidates_and_back_by_hand(page, address):
    page.goto(address)
    page.get_by_label("Photos of heads").set_input_files(DEMO / "17.jpg")
    page.get_by_label("Band of the bird, if all are of one bird").fill("17")
    page.get_by_role("button", name="Read the combs").click()
    page.wait_for_url(re.compile("/photos/"))
    page.get_by_text("Genotype candidates of bird 17").wait_for()
    assert fits(page)
    page.get_by_role("radio", name="single", exact=True).check()
    page.get_by_label("Who looked").fill("Keeper")
    page.get_by_role("button", name="Write it down").click()
    page.get_by_role("heading", level=1, name="Single, by hand").wait_for()
    page.get_by_role("link", name="All that is known of bird 17").click()
    page.get_by_text("which its relatives make all but impossible").first.wait_for()
    assert fits(page)
    # What was written down can be taken back where one sees it done.
    page.go_back()
    page.get_by_role("button", name="Take it back").click()
    page.get_by_text("Done.").wait_for()


def test_dropped_photos_are_read(page, address):
    page.goto(address)
    page.evaluate(
        """async () => {
            const canvas = document.createElement("canvas");
            canvas.width = canvas.height = 300;
            canvas.getContext("2d").fillRect(0, 0, 300, 300);
            const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg"));
            const data = new DataTransfer();
            data.items.add(new File([blob], "dropped.jpg", { type: "image/jpeg" }));
            document.getElementById("take").dispatchEvent(
                new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true }));
        }"""
    )
    page.wait_for_url(re.compile("/photos/"))
    assert "No head was found" in page.content()


def test_a_walk_says_at_once_what_is_wrong_and_goes_on_to_the_next_bird(page, address, hatch):
    page.goto(f"{address}/walk")
    page.get_by_role("link", name="April 2026").click()
    page.locator("#birds").get_by_role("link", name=re.compile("^31")).click()
    page.locator("#files").set_input_files(DEMO / "31.jpg")
    page.locator("#shots").get_by_text("blurred: hold the bird still").wait_for(timeout=8000)
    assert fits(page)
    page.locator("#band").fill("32")
    page.locator("#band").press("Enter")
    assert page.locator("#current").inner_text() == "32"
    page.locator("#files").set_input_files(DEMO / "32.jpg")
    page.locator("#shots li strong").filter(has_text="walnut").first.wait_for(timeout=8000)
    assert page.url.endswith("?band=32")  # the page was never left


def test_a_band_is_read_from_its_photographed_label(page, address, hatch, tmp_path):
    segno.make_qr(f"{MARK}44").save(str(tmp_path / "label.png"), scale=8)
    page.goto(f"{address}/walk/hatch/{hatch}")
    page.locator("#label").set_input_files(tmp_path / "label.png")
    expect(page.locator("#current")).to_have_text("44")
    page.locator("#label").set_input_files(DEMO / "50.jpg")
    page.locator("#label-says").get_by_text("no label was found").wait_for()


def test_the_second_opinion_is_read_and_taken_along(page, address):
    page.goto(f"{address}/birds/25")
    page.get_by_role("link", name="The second opinion").click()
    page.get_by_text("Missing:").wait_for()
    page.get_by_label("Mate, by its band").fill("14")
    page.get_by_role("button", name="Work it out").click()
    page.get_by_text("With 14:").wait_for()
    assert fits(page)
    with page.expect_response(re.compile("opinion.pdf")) as got:
        page.evaluate("fetch(document.querySelector('a[href*=\".pdf\"]').href)")
    assert got.value.headers["content-type"] == "application/pdf"


def test_paper_holds_what_is_known_without_what_is_pressed(page, address):
    page.goto(f"{address}/birds/25")
    page.emulate_media(media="print")
    assert page.get_by_role("heading", name="Bird 25").is_visible()
    assert page.locator("table.square").is_visible()
    assert not page.locator(".top nav").is_visible()
    assert not page.locator("form").first.is_visible()


def test_a_walk_goes_on_without_a_net_and_loses_nothing(page, address, hatch, store, tmp_path):
    from PIL import Image

    page.goto(f"{address}/walk/hatch/{hatch}")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()
    page.context.set_offline(True)
    names = []
    for number, band in enumerate(("41", "42", "43")):
        # Photos that the store hasn't seen yet.
        image = Image.open(DEMO / f"{band}.jpg")
        image.putpixel((0, 0), (number, 7, 100 if page.size == "phone" else 200))
        names.append(f"{page.size}-{band}.jpg")
        image.save(tmp_path / names[-1], quality=90)
        page.locator("#birds").get_by_role("link", name=re.compile(f"^{band}")).click()
        page.locator("#files").set_input_files(tmp_path / names[-1])
        page.locator("#queue").get_by_text(
            re.compile("1 photo waits" if number == 0 else f"{number + 1} photos wait")
        ).wait_for()
    # Even if the phone drops the page meanwhile, and it is opened again without a net.
    page.reload()
    page.locator("#queue").get_by_text("3 photos wait").wait_for(timeout=10_000)
    page.context.set_offline(False)
    page.locator("#queue").get_by_text("All photos are sent").wait_for(timeout=20_000)
    with store.reading() as session:
        kept = {
            row.name: row.bird.band
            for row in session.scalars(select(PhotoRow).where(PhotoRow.name.in_(names)))
        }
    assert kept == {name: name[-6:-4] for name in names}


def test_photos_wait_on_the_phone_until_somebody_has_signed_in(page, address, hatch):
    page.goto(f"{address}/walk/hatch/{hatch}?band=31")
    refused = {"error": "nobody comes in here without an account", "code": "not_signed_in"}
    page.route("**/api/v1/photos", lambda route: route.fulfill(status=401, json=refused))
    page.locator("#files").set_input_files(str(DEMO / "31.jpg"))
    queue = page.locator("#queue")
    expect(queue).to_contain_text("1 photo waits until you are signed in")
    expect(queue.get_by_role("link", name="Sign in")).to_be_visible()
    page.unroute("**/api/v1/photos")
    page.reload()
    expect(queue).to_have_text("All photos are sent.", timeout=30_000)


def test_the_sorting_table_works_by_keyboard_alone(page, address):
    page.goto(f"{address}/sort?pile=settled")
    first = page.locator(".shot").first.get_attribute("id")
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.name") == "photo":
            break
    assert page.evaluate("document.activeElement.name") == "photo"
    before = page.locator("progress").get_attribute("value")
    page.keyboard.press("Enter")
    page.get_by_text("Done.").wait_for()
    assert page.locator(f"#{first}").count() == 0
    assert int(page.locator("progress").get_attribute("value")) == int(before) + 1
    # The next photo has the keyboard: tick it and the one after, say what they are.
    assert page.evaluate("document.activeElement.name") == "photo"
    page.keyboard.press("x")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("x")
    page.keyboard.press("3")
    page.get_by_text("Done.").wait_for()
    assert int(page.locator("progress").get_attribute("value")) == int(before) + 3
    page.keyboard.press("u")
    expect(page.locator("progress")).to_have_attribute("value", str(int(before) + 1))
    # And without the keys of ours: Tab, Space, Enter.
    page.locator(".shot button").first.focus()
    page.keyboard.press("Enter")
    expect(page.locator("progress")).to_have_attribute("value", str(int(before) + 2))
    assert fits(page)


def test_blind_readings_follow_each_other(page, address):
    page.goto(f"{address}/sort/blind")
    page.get_by_label("Who looks").fill(f"Cleo {page.size}")
    page.get_by_role("button", name="Begin").click()
    seen = set()
    for _ in range(2):
        seen.add(page.locator("figure img").get_attribute("src"))
        page.get_by_role("radio", name="can't tell").check()
        page.get_by_role("button", name="Write it down").click()
        page.get_by_text("Done.").wait_for()
    assert len(seen) == 2


def test_a_lot_is_read_while_the_table_is_open(page, address, tmp_path):
    from PIL import Image

    files = []
    for number in range(6):
        image = Image.open(DEMO / f"{22 + number}.jpg")
        image.putpixel((1, 1), (number, 90, 10 if page.size == "phone" else 210))
        files.append(tmp_path / f"lot-{page.size}-{number}.jpg")
        image.save(files[-1], quality=91)
    page.goto(address)
    page.get_by_label("Photos of heads").set_input_files(files)
    page.get_by_role("button", name="Read the combs").click()
    page.wait_for_url(re.compile("/assign"))  # none of them has a bird yet
    page.goto(f"{address}/sort")
    for _ in range(120):
        if not page.request.get(f"{address}/sort/state").json()["waiting"]:
            break
        page.wait_for_timeout(250)
    else:
        pytest.fail("not read within half a minute")
    # The page had said so while it was open, unless all was read before it came.
    if page.locator("#waiting").count():
        expect(page.locator("#fresh")).to_be_visible()


def test_matings_are_explored_tested_and_planned(page, address):
    page.goto(f"{address}/matings")
    page.get_by_label("Cock: genotype or band").fill("R/r+ P/p+")
    page.get_by_label("Hen: genotype or band").fill("R/r+ P/p+")
    page.get_by_role("button", name="Cross them").click()
    page.get_by_text("9/16").first.wait_for()
    assert fits(page)
    page.get_by_role("link", name="Test mating").click()
    page.get_by_label("Bird to be tested").fill("R/? P/?")
    page.get_by_role("button", name="Work it out").click()
    for comb in ("walnut", "walnut", "single"):
        page.locator("button[name=scored]").filter(has_text=re.compile(f"^ *{comb}$")).click()
    assert page.locator("ol.steps li").count() == 3
    page.get_by_role("button", name="Take the last one back").click()
    assert page.locator("ol.steps li").count() == 2
    assert fits(page)
    page.get_by_role("link", name="Over generations").click()
    page.get_by_label("Eggs set each season").fill("60")
    page.get_by_role("button", name="Play them through").click()
    assert page.locator("svg.plot").count() == 3
    assert fits(page)


def test_a_pen_and_a_decision_are_written_down(page, address):
    page.goto(f"{address}/flock")
    page.locator("#pen-name").fill(f"Pen {page.size}")
    page.locator("#pen-bands").fill("14, 15")
    page.locator("#pen-on").fill("2026-09-01")
    page.locator("form[action='/flock/pens'] button").click()
    page.get_by_role("heading", name=f"Pen {page.size}").wait_for()
    page.goto(f"{address}/birds/23")
    page.get_by_label("Why", exact=True).fill(f"wide comb, seen on the {page.size}")
    page.locator("form[action$='/decisions'] button").click()
    page.get_by_text(f"wide comb, seen on the {page.size}").wait_for()
    page.get_by_role("link", name="What was changed").click()
    page.get_by_text("decision on bird 23").first.wait_for()


def test_the_language_is_changed_and_kept(page, address):
    page.goto(address)
    page.get_by_role("button", name="Deutsch").click()
    page.get_by_role("link", name="Rundgang").first.wait_for()
    page.goto(f"{address}/guide")
    page.get_by_role("heading", name="Führer zu den Kämmen").wait_for()
    assert fits(page)


def test_a_helper_is_let_in_by_a_link_that_is_shown_once(page, address, store):
    name = f"Cleo {page.viewport_size['width']}"
    page.goto(f"{address}/accounts")
    expect(page.get_by_role("button", name="Close Beth's account")).to_be_visible()
    page.get_by_label("A helper who may").select_option("decide")
    page.get_by_role("button", name="Make a link").click()
    expect(page.get_by_role("img", name="QR code of the link")).to_be_visible()
    link = page.locator("code").first.inner_text()
    page.goto(f"{address}/join/{link.rsplit('/', 1)[1]}")
    page.get_by_label("Your name").fill(name)
    page.get_by_label("A password of").fill("straw in the morning")
    page.get_by_role("button", name="Make the account").click()
    expect(page.get_by_text(f"Signed in as {name}")).to_be_visible()
    page.goto(f"{address}/birds/25")
    expect(page.get_by_label("Who looked")).to_have_count(0)  # the account says who
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()


# What alone may differ where only colours do.
OF_COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}


# What few tests look at, on a phone alone where the desk has the same words and forms.
ON_A_PHONE = pytest.mark.parametrize(
    "page", ["phone", pytest.param("desk", marks=pytest.mark.long)], indirect=True
)


def barriers(page, rules=None) -> list[tuple[str, list[str]]]:
    """Barriers of impact 'serious' and 'critical' on a page (axe-core, Deque Systems, MPL-2.0)."""
    from axe_playwright_python.sync_playwright import Axe

    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    return [
        (v["id"], [node["html"][:120] for node in v["nodes"]][:3])
        for v in Axe().run(page, options=rules).response["violations"]
        if v["impact"] in ("serious", "critical")
    ]


@ON_A_PHONE
def test_no_page_has_a_serious_barrier(page, address, store):
    for name, path in pages(store).items():
        page.emulate_media(color_scheme="light")
        page.goto(address + (path or "/birds/25"))
        assert barriers(page) == [], name
        page.emulate_media(color_scheme="dark")
        assert barriers(page, OF_COLOURS) == [], (name, "dark")


@pytest.mark.long
def test_no_page_has_a_serious_barrier_in_german_on_a_tablet(chromium, address, store):
    context = chromium.new_context(
        locale="de-DE", viewport={"width": 768, "height": 1024}, color_scheme="dark"
    )
    page = context.new_page()
    for name, path in pages(store).items():
        page.goto(address + (path or "/birds/25"))
        assert fits(page), name
        assert barriers(page) == [], name
    context.close()


EMPTY = (
    *("/", "/walk", "/sort", "/sort/one", "/assign", "/birds", "/new-bird", "/lists"),
    *("/matings", "/matings/plan", "/matings/ways", "/flock", "/flock/progress"),
    *("/keeping", "/changes"),
)


@ON_A_PHONE
def test_an_empty_home_has_no_barrier_and_no_dead_end(page, tmp_path):
    """Each page of an empty home fits, has no barrier, and says where to begin or how to go on."""
    with served(settings_in(tmp_path / "empty")) as url:
        for path in EMPTY:
            answer = page.goto(url + path)
            assert answer.status in (200, 422), path
            assert fits(page), path
            assert barriers(page) == [], path
            assert page.locator("main a, main form").count() > 0, path
        page.goto(url)
        page.get_by_role("button", name="Look round with a demo flock").click()
        page.wait_for_url("**/sort*")
        page.goto(f"{url}/birds")
        page.locator("caption").get_by_text("39 birds").wait_for()
        page.goto(url)
        page.get_by_role("button", name="Throw it away").click()
        page.get_by_text("Begin in whichever way suits you").wait_for()


@ON_A_PHONE
def test_every_page_fits_the_screen(page, address, store):
    width, height = SIZES[page.size]
    for wide in (width, 360 if page.size == "phone" else 768):
        page.set_viewport_size({"width": wide, "height": height})
        for name, path in pages(store).items():
            page.goto(address + (path or "/birds/25"))
            assert fits(page), (name, wide)


# Names of the demo's people, what its keeper wrote, names of files and of the model.
NOT_OURS = set((Path(__file__).parent / "not_ours.txt").read_text(encoding="utf-8").split())


def test_no_english_is_left_on_a_german_page(chromium, address, store):
    """Every page, sheet and calendar, against the words that only the English templates have."""
    from pypdf import PdfReader

    context = chromium.new_context(locale="de-DE", viewport={"width": 768, "height": 1000})
    page = context.new_page()
    found = {}
    for name, path in pages(store).items():
        page.goto(address + (path or "/birds/25"))
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        texts = page.evaluate(VISIBLE)
        found[name] = english_in("\n".join(texts))
    with store.reading() as session:
        hatch = session.scalar(select(HatchRow.id).where(HatchRow.name == "April 2026"))
        pen = session.scalar(select(PenRow.id))
    german = {"Accept-Language": "de-DE"}
    for path in (
        "/birds/25/opinion.pdf?mate=11",
        f"/flock/hatches/{hatch}/grow-out.pdf",
        f"/flock/pens/{pen}/buyer.pdf",
        "/flock/pens.pdf",
        "/flock/labels.pdf",
    ):
        data = page.request.get(address + path, headers=german).body()
        text = "\n".join(part.extract_text() for part in PdfReader(io.BytesIO(data)).pages)
        assert len(text) > 20, path
        found[path] = english_in(text)
    calendar = f"/flock/hatches/{hatch}/look-again.ics"
    lines = page.request.get(address + calendar, headers=german).text().splitlines()
    words = [line.split(":", 1)[1] for line in lines if line.startswith(("SUMMARY", "DESCRIPTION"))]
    found[calendar] = english_in("\n".join(words))
    context.close()
    left = sorted(f"{name}: {word}" for name, words in found.items() for word in words)
    assert left == []


# Text that is seen or read out, without what people wrote themselves and what stands in fields.
VISIBLE = """() => {
    const found = [];
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let node = walker.nextNode(); node; node = walker.nextNode()) {
        const parent = node.parentElement;
        if (!parent.closest("script, style, [lang]:not(html), datalist")) found.push(node.data);
    }
    for (const one of document.querySelectorAll("[aria-label], [alt], [title], [placeholder]")) {
        for (const name of ["aria-label", "alt", "title", "placeholder"]) {
            if (!one.closest("[lang]:not(html)")) found.push(one.getAttribute(name) ?? "");
        }
    }
    for (const one of document.querySelectorAll("[data-says], #queue, #shots, #birds")) {
        found.push(...Object.values(one.dataset));
    }
    return found;
}"""


def english_in(text: str) -> set[str]:
    """Words of a text that are English and nothing else."""
    return set(re.findall(r"[a-z]{3,}", text.lower())) & (english() - NOT_OURS)
