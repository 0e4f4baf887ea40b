"""The phone's own reader in Chromium: readings as in Python, camera, field, refusals."""

import base64
import io
import re

import numpy as np
import pytest
import segno
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import expect, sync_playwright
from sqlalchemy import select

from classifier.photo import Photo, open_photo
from classifier.reader import Reader
from service.records.intake.bands import MARK
from service.records.tables import BirdRow, PhotoRow
from tests.browser.demo import build, served, settings_in
from tests.browser.test_flows import CHROMIUM
from tests.conftest import DEMO

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's chromium"),
]
READ = """async ([data, type]) => {
  const reader = await import("/static/pocket/reader.js");
  const { say } = await import("/static/pocket/words.js");
  const words = await reader.begin("");
  const bytes = Uint8Array.from(atob(data), (c) => c.charCodeAt(0));
  const reading = await reader.read(new Blob([bytes], { type }));
  return { ...reading, said: reading.doubts.map((one) => say(one, words)) };
}"""
KEPT = """async () => (await (await caches.open("combwright-2")).keys())
  .map((one) => new URL(one.url).pathname)"""
NEEDED = ("/walk/all/0", "/pocket/weights/", "onnxruntime.wasm", "finder", "thread.js")
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return build(settings_in(tmp_path_factory.mktemp("home")), with_photos=False)


@pytest.fixture(scope="module")
def address(store):
    with served(settings_in(store.photos.parent)) as url:
        yield url


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    """What the camera sees: a head held still before a plain ground."""
    ground = Image.new("RGB", (1280, 720), (92, 108, 82))
    with Image.open(DEMO / "43.jpg") as head:
        ground.paste(head.convert("RGB").resize((620, 620)), (330, 50))
    frame = io.BytesIO()
    ground.save(frame, "JPEG", quality=92)
    path = tmp_path_factory.mktemp("film") / "film.mjpeg"
    path.write_bytes(frame.getvalue() * 30)
    return path


@pytest.fixture(scope="module")
def chromium(film):
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=str(CHROMIUM),
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--use-fake-device-for-media-stream",
                f"--use-file-for-fake-video-capture={film}",
            ],
        )
        yield browser
        browser.close()


@pytest.fixture
def phone(chromium):
    context = chromium.new_context(viewport=PHONE, permissions=["camera"])
    page = context.new_page()
    problems: list[str] = []
    page.on("pageerror", lambda error: problems.append(str(error)))
    yield page
    context.close()
    assert problems == []


def read_in(page, data, kind="image/jpeg"):
    return page.evaluate(READ, [base64.b64encode(data).decode(), kind])


def pictures(every):
    """Every n-th of the demo's photos, and some that take other ways: large, turned, clear."""
    for path in sorted(DEMO.glob("*.jpg"))[::every]:
        yield path.name, path.read_bytes(), "image/jpeg"
    with Image.open(DEMO / "17.jpg") as image:
        head = image.convert("RGB")
    turned = Image.Exif()
    turned[0x0112] = 6
    for name, made, kind, options in (
        ("large.jpg", head.resize((3600, 3600)), "JPEG", {"quality": 90}),
        ("turned.jpg", head.transpose(Image.Transpose.ROTATE_90), "JPEG", {"exif": turned}),
        ("plain.png", head, "PNG", {}),
        ("clear.png", cleared(head), "PNG", {}),
        ("small.png", head.resize((60, 60)), "PNG", {}),
        ("grey.jpg", head.convert("L"), "JPEG", {}),
    ):
        out = io.BytesIO()
        made.save(out, kind, **options)
        yield name, out.getvalue(), f"image/{kind.lower()}"


def cleared(image):
    """A picture whose left third can be seen through."""
    alpha = Image.new("L", image.size, 255)
    alpha.paste(0, (0, 0, image.width // 3, image.height))
    made = image.copy()
    made.putalpha(alpha)
    return made


@pytest.mark.parametrize("every", [5, pytest.param(1, marks=pytest.mark.long)])
def test_the_same_readings_as_in_python(phone, address, tmp_path, every):
    """From file to sentence, with packed weights on one side and exact ones on the other."""
    phone.goto(f"{address}/walk")
    reader = Reader()
    for name, data, kind in pictures(every):
        (tmp_path / name).write_bytes(data)
        (ours,) = reader.read([open_photo(tmp_path / name)])
        theirs = read_in(phone, data, kind)
        assert theirs["head"]["source"] == ours.head.source, name
        assert np.abs(np.array(theirs["comb"]) - ours.comb).max() < 0.05, name
        assert (theirs["pile"], theirs["proposal"]) == (ours.pile, ours.proposal), name
        for code, said in zip(theirs["doubts"], theirs["said"], strict=True):
            for doubt in ours.doubts:
                if doubt.code == code["code"] and not doubt.values:
                    assert said == str(doubt)
    assert (theirs["width"], theirs["height"]) == (512, 512)


class Said:
    """Networks that say what they are given, one head at a time."""

    wide = False

    def __init__(self, outputs):
        self.outputs, self.turn = outputs, 0

    def find(self, batch):
        raise AssertionError("the box is given")

    def read(self, batch):
        self.turn += 1
        return {name: value[None, (self.turn - 1) % 2] for name, value in self.outputs.items()}


def made_up(rng, shapes):
    """Outputs of a head, plain and mirrored: mostly in doubt, now and then at an extreme."""
    wide = rng.choice([1.0, 4.0, 12.0])
    found = {
        name: rng.normal(0, wide, (2, *shape)).astype(np.float32) for name, shape in shapes.items()
    }
    found["readable"] += rng.choice([0, 3])
    found["none"] -= rng.choice([0, 3, 6])
    found["pooled"] = np.abs(found["pooled"]) / wide * rng.choice([0.1, 0.5, 2])
    return found


@pytest.mark.parametrize("rounds", [24, pytest.param(60, marks=pytest.mark.long)])
def test_what_networks_say_is_judged_alike(phone, address, rounds):
    """Both languages on the same outputs and pictures: every number, doubt and pile."""
    reader, rng = Reader(), np.random.default_rng(5)
    exact = reader.networks.read(np.zeros((1, 3, reader.card.size, reader.card.size), np.float32))
    shapes = {name: value.shape[1:] for name, value in exact.items()}
    phone.goto(f"{address}/walk")
    about = phone.request.get(f"{address}/pocket/reader.json").json()
    manner = {k.split(".")[1]: v.ravel().tolist() for k, v in reader.manner.items()}
    piles, codes = set(), set()
    for number in range(rounds):
        outputs = made_up(rng, shapes)
        side = int(rng.choice([32, 60, 150, 260]))
        low, high = [(0, 60), (0, 256), (0, 256), (238, 256)][number % 4]
        coarse = side if number % 5 else 3  # some are blurred
        picture = rng.integers(low, high, (coarse, coarse, 3), np.uint8)
        image = Image.fromarray(picture).resize((side + 40, side))
        box = (5.0, 4.0, float(side) + 6.3, float(side) - 3.7)
        photo = Photo(f"{number}.jpg", image, image.width, image.height)
        (ours,) = Reader(networks=Said(outputs)).read([photo], [box])
        given = {
            name: base64.b64encode(value.astype("<f4").tobytes()).decode()
            for name, value in outputs.items()
        }
        pixels = base64.b64encode(np.asarray(image).tobytes()).decode()
        theirs = phone.evaluate(
            """async ([given, pixels, width, height, box, about, manner]) => {
              const { lookAt } = await import("/static/pocket/looking.js");
              const { readingOf } = await import("/static/pocket/judging.js");
              const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
              const data = bytes(pixels);
              const photo = { image: { width, height, bands: 3, data }, width, height, scale: 1 };
              const floats = (of) => Object.fromEntries(
                Object.entries(of).map(([k, v]) => [k, Float32Array.from(v)]));
              const head = { box, source: "given", score: 1 };
              const said = Object.fromEntries(Object.entries(given).map(
                ([k, v]) => [k, new Float32Array(bytes(v).buffer)]));
              const networks = { read: async () => ({ ...said }) };
              const seen = await lookAt(photo, head, about.use, networks);
              const reading = readingOf(head, seen, about.use, about.rules, floats(manner));
              return { ...reading, quality: seen.quality };
            }""",
            [given, pixels, image.width, image.height, box, about, manner],
        )
        assert theirs["comb"] == pytest.approx(ours.comb, abs=1e-5)
        for name in (
            "none_of_these",
            "readable",
            "confidence",
            "crest",
            "beard",
            "young",
            "frontal",
        ):
            assert theirs[name] == pytest.approx(getattr(ours, name), abs=1e-5), name
        assert theirs["mistake"] == pytest.approx(ours.mistake.chance, abs=1e-4)
        assert theirs["plausible"] == list(ours.plausible)
        assert (theirs["pile"], theirs["proposal"]) == (ours.pile, ours.proposal)
        assert [d["code"] for d in theirs["doubts"]] == [d.code for d in ours.doubts]
        for told, doubt in zip(theirs["doubts"], ours.doubts, strict=True):
            for name, value in doubt.values.items():
                wanted = list(value) if isinstance(value, tuple) else pytest.approx(value, abs=1e-4)
                assert told["values"][name] == wanted
        assert theirs["wattles"]["size"] == ours.wattles.size
        if ours.wattles.why_not:
            assert theirs["wattles"]["why_not"]["code"] == ours.wattles.why_not.code
        if ours.wattles.share is not None:
            assert theirs["wattles"]["share_90"] == pytest.approx(ours.wattles.share_90, abs=1e-5)
        piles.add(ours.pile)
        codes |= {d.code for d in ours.doubts}
    assert piles == {"settled", "second_look", "new_photo"}
    assert len(codes) >= 9


def test_pixels_are_cut_and_resized_as_pillow_does_it(phone, address):
    """Against Pillow itself, to the last bit."""
    phone.goto(f"{address}/walk")
    rng = np.random.default_rng(3)
    for width, height, wide, high, way in (
        (90, 70, 33, 47, "bicubic"),
        (31, 45, 80, 61, "bicubic"),
        (200, 120, 40, 25, "box"),
        (333, 217, 100, 65, "lanczos"),
    ):
        pixels = rng.integers(0, 256, (height, width, 3), np.uint8)
        image = Image.fromarray(pixels)
        resampling = Image.Resampling[way.upper()]
        wanted = [
            image.resize((wide, high), resampling),
            image.resize((wide, high), resampling, reducing_gap=2.0),
            image.reduce((3, 2)),
            image.convert("L"),
        ]
        made = phone.evaluate(
            """async ([data, width, height, wide, high, way]) => {
              const p = await import("/static/pocket/pixels.js");
              const image = { width, height, bands: 3, data: Uint8Array.from(data) };
              return [p.resize(image, wide, high, way), p.shrink(image, wide, high, way, 2),
                p.reduce(image, 3, 2), p.grey(image)].map((one) => [...one.data]);
            }""",
            [pixels.ravel().tolist(), width, height, wide, high, way],
        )
        for ours, theirs in zip(wanted, made, strict=True):
            assert np.asarray(ours).ravel().tolist() == theirs, (width, way)


def test_the_camera_guides_and_its_picture_goes_to_the_bird(phone, address, store):
    phone.goto(f"{address}/walk/all/0?band=43")
    phone.get_by_role("button", name="Camera on this page").click()
    view = phone.locator("#viewfinder")
    expect(view.locator("[data-part=advice]")).to_contain_text("good so", timeout=60_000)
    expect(view.locator("[data-part=reads]")).to_contain_text("pea")
    shutter = view.get_by_role("button", name="Take the picture")
    assert shutter.bounding_box()["height"] >= 48
    for scheme in ("light", "dark"):
        phone.emulate_media(color_scheme=scheme)
        found = Axe().run(phone, options={"resultTypes": ["violations"]})
        assert [v["id"] for v in found.response["violations"]] == []
    for size in ({"width": 360, "height": 640}, PHONE):
        phone.set_viewport_size(size)
        assert phone.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    shutter.click()
    expect(phone.locator("#shots li").first).to_contain_text("bird 43", timeout=30_000)
    expect(phone.locator("#queue")).to_contain_text("All photos are sent", timeout=30_000)
    with store.reading() as session:
        (photo,) = session.scalars(select(PhotoRow)).all()
        assert photo.bird.band == "43"
        assert photo.suffix == ".jpg"
    assert phone.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    view.get_by_role("button", name="Close the camera").click()
    expect(view).to_be_hidden()


def wait_until_kept(page):
    """Until all that a phone needs in the field is in its cache."""
    for _ in range(120):
        kept = page.evaluate(KEPT)
        if all(any(one in path for path in kept) for one in NEEDED):
            return
        page.wait_for_timeout(500)
    raise AssertionError(f"not kept in a minute: {kept}")


def test_a_phone_that_was_closed_reads_without_a_net(chromium, address, tmp_path):
    """One visit with a net; then the page is opened anew where there is none."""
    context = chromium.new_context(viewport=PHONE, locale="de-DE")
    page = context.new_page()
    page.goto(f"{address}/walk/all/0")
    wait_until_kept(page)
    page.close()
    context.set_offline(True)
    page = context.new_page()
    page.goto(f"{address}/walk/all/0?band=31")
    with Image.open(DEMO / "31.jpg") as image:
        image.putpixel((0, 0), (1, 2, 3))
        image.save(tmp_path / "field.jpg", quality=92)
    page.locator("#files").set_input_files(tmp_path / "field.jpg")
    shot = page.locator("#shots li").first
    expect(shot).to_contain_text("auf diesem Telefon gelesen", timeout=60_000)
    expect(shot).to_contain_text("31")
    expect(page.locator("#queue")).to_contain_text("wartet")
    context.set_offline(False)
    expect(page.locator("#queue")).to_contain_text("gesendet", timeout=30_000)
    context.close()


# A film shows the same frame again; a camera never does.
NOISE = """const make = OffscreenCanvas.prototype.convertToBlob;
OffscreenCanvas.prototype.convertToBlob = function (...options) {
  const pen = this.getContext("2d");
  for (let x = 0; x < 40; x++) {
    pen.fillStyle = `rgb(${Math.random() * 255}, 90, 90)`;
    pen.fillRect(x * 8, 0, 8, 8);
  }
  return make.apply(this, options);
};"""


def test_ten_birds_without_a_net_the_page_killed_three_times(chromium, address, store):
    """Every picture at its bird, once, in the order taken, after the net came back."""
    context = chromium.new_context(viewport=PHONE, permissions=["camera"])
    context.add_init_script(NOISE)
    page = context.new_page()
    page.goto(f"{address}/walk/all/0")
    wait_until_kept(page)
    with store.reading() as session:
        before = {row.id for row in session.scalars(select(PhotoRow))}
    context.set_offline(True)
    bands = [*map(str, range(11, 20)), "21"]
    for number, band in enumerate(bands):
        if number in (0, 3, 6, 9):  # killed, with what was taken still unsent
            page.close(run_before_unload=False)
            page = context.new_page()
            page.goto(f"{address}/walk/all/0?band={band}")
            page.get_by_role("button", name="Camera on this page").click()
        else:
            page.locator("#following").click()
        expect(page.locator("#current")).to_have_text(band)
        view = page.locator("#viewfinder")
        expect(view.locator("[data-part=reads]")).to_contain_text("pea", timeout=60_000)
        view.get_by_role("button", name="Take the picture").click()
        count = "1 photo waits" if number == 0 else f"{number + 1} photos wait"
        expect(page.locator("#queue")).to_contain_text(count, timeout=30_000)
        expect(page.locator("#shots li").first).to_contain_text(
            "read on this phone", timeout=30_000
        )
    page.close()
    context.set_offline(False)
    page = context.new_page()
    page.goto(f"{address}/walk/all/0")
    expect(page.locator("#queue")).to_contain_text("All photos are sent", timeout=60_000)
    with store.reading() as session:
        rows = session.scalars(select(PhotoRow).order_by(PhotoRow.id)).all()
        kept = [row.bird.band for row in rows if row.id not in before]
    assert kept == bands
    context.close()


@pytest.mark.long
def test_a_whole_walk_of_thirty_birds_without_a_net(chromium, address, store):
    """All is read on the phone, and all arrives once, in the order taken, after it was closed."""
    with store.reading() as session:
        bands = session.scalars(select(BirdRow.band).order_by(BirdRow.id)).all()[-30:]
    context = chromium.new_context(viewport=PHONE)
    page = context.new_page()
    page.goto(f"{address}/walk/all/0")
    wait_until_kept(page)
    context.set_offline(True)
    for number, band in enumerate(bands, start=1):
        page.locator(f"#birds a[data-band='{band}']").click()
        with Image.open(DEMO / f"{band}.jpg") as image:
            image.putpixel((2, 2), (number * 8, 9, 9))
            out = io.BytesIO()
            image.save(out, "PNG")
        file = {"name": f"walk-{band}.png", "mimeType": "image/png", "buffer": out.getvalue()}
        page.locator("#files").set_input_files(file)
        waiting = "1 photo waits" if number == 1 else f"{number} photos wait"
        expect(page.locator("#queue")).to_contain_text(waiting, timeout=30_000)
    read = page.locator("#shots li").filter(has_text="read on this phone")
    expect(read).to_have_count(len(bands), timeout=90_000)
    page.close()
    context.set_offline(False)
    page = context.new_page()
    page.goto(f"{address}/walk/all/0")
    expect(page.locator("#queue")).to_contain_text("All photos are sent", timeout=120_000)
    with store.reading() as session:
        rows = session.scalars(
            select(PhotoRow).where(PhotoRow.name.like("walk-%")).order_by(PhotoRow.id)
        ).all()
        assert [row.bird.band for row in rows] == bands
    context.close()


def test_two_phones_on_one_flock_and_a_bird_renamed_meanwhile(chromium, address, store):
    """What each took arrives once; a band that isn't there any more is asked about, not dropped."""
    phones = []
    for bands in (("44", "45"), ("45", "46")):
        context = chromium.new_context(viewport=PHONE)
        page = context.new_page()
        page.goto(f"{address}/walk/all/0")
        context.set_offline(True)
        for band in bands:
            page.locator("#birds").get_by_role("link", name=re.compile(f"^{band}")).click()
            with Image.open(DEMO / f"{band}.jpg") as image:
                image.putpixel((1, 1), (len(phones) * 90, 50, 50))
                out = io.BytesIO()
                image.save(out, "PNG")
            file = {"name": f"{len(phones)}-{band}.png", "mimeType": "image/png"}
            page.locator("#files").set_input_files({**file, "buffer": out.getvalue()})
        expect(page.locator("#queue")).to_contain_text("2 photos wait", timeout=30_000)
        phones.append((context, page))
    told = phones[0][1].request.post(
        f"{address}/api/v1/birds/46/band", data={"other": "146", "by": "Ann"}
    )
    assert told.ok, told.text()
    for context, page in phones:
        context.set_offline(False)
        expect(page.locator("#queue")).to_contain_text("All photos are sent", timeout=60_000)
    asked = phones[1][1].locator("#shots li").first
    expect(asked.get_by_role("link")).to_have_attribute("href", re.compile("/assign.*band=46"))
    with store.reading() as session:
        kept = {
            row.name: row.bird.band if row.bird else ""
            for row in session.scalars(select(PhotoRow).where(PhotoRow.name.like("_-__.png")))
        }
    assert kept == {"0-44.png": "44", "0-45.png": "45", "1-45.png": "45", "1-46.png": ""}
    for context, _ in phones:
        context.close()


@pytest.mark.parametrize(
    ("broken", "sentence"),
    [
        ("", "was refused to this page"),
        ("delete globalThis.WebAssembly;", "can't read combs by itself"),
        ("Object.defineProperty(navigator, 'mediaDevices', {value: undefined});", "No camera"),
        (
            "Object.defineProperty(globalThis, 'isSecureContext', {value: false});"
            "Object.defineProperty(navigator, 'mediaDevices', {value: undefined});",
            "on https alone",
        ),
    ],
)
def test_where_there_is_no_camera_the_page_says_so_and_photos_still_go(
    chromium, address, broken, sentence
):
    context = chromium.new_context(viewport=PHONE)  # no permission for the camera
    page = context.new_page()
    page.add_init_script(broken)
    page.goto(f"{address}/walk/all/0?band=32")
    page.get_by_role("button", name="Camera on this page").click()
    expect(page.locator("#camera-says")).to_contain_text(sentence, timeout=60_000)
    page.locator("#files").set_input_files(DEMO / "32.jpg")
    expect(page.locator("#queue")).to_contain_text("All photos are sent", timeout=30_000)
    context.close()


def test_a_phone_without_room_says_so(phone, address):
    phone.add_init_script(
        """IDBObjectStore.prototype.add = () => {
          throw new DOMException("", "QuotaExceededError");
        };
        navigator.storage.estimate = async () => ({ quota: 1e9, usage: 1e9 - 9e6 });"""
    )
    phone.goto(f"{address}/walk/all/0?band=33")
    expect(phone.locator("#room")).to_contain_text("about 2 more photos")
    phone.locator("#files").set_input_files(DEMO / "33.jpg")
    expect(phone.locator("#shots li").first).to_contain_text("has no room for it")


CODES = """async ([pictures, own]) => {
  if (own) {
    globalThis.BarcodeDetector = class {
      static getSupportedFormats() { return Promise.resolve(["qr_code", "ean_13"]); }
      detect() { return Promise.resolve([{ rawValue: "combwright:bird:17" }]); }
    };
  }
  const { labelReader } = await import("/static/labels.js");
  const read = await labelReader("", (text) => text === "43");
  const found = [];
  for (const data of pictures) {
    const bytes = Uint8Array.from(atob(data), (c) => c.charCodeAt(0));
    found.push(await read(await createImageBitmap(new Blob([bytes], { type: "image/png" }))));
  }
  return found;
}"""


def label_picture(*texts):
    """QR codes side by side, small in a larger picture."""
    scene = Image.new("RGB", (1600, 900), (120, 130, 110))
    for place, text in enumerate(texts):
        out = io.BytesIO()
        segno.make(text, micro=False).save(out, kind="png", scale=6)
        scene.paste(Image.open(out).convert("RGB"), (200 + 600 * place, 300))
    out = io.BytesIO()
    scene.save(out, "PNG")
    return base64.b64encode(out.getvalue()).decode()


def test_labels_are_read_in_the_page(phone, address):
    """Our own codes of any band, plain ones of known birds, no stranger's, none of two at once."""
    phone.goto(f"{address}/walk/all/0")
    pictures = [
        label_picture(f"{MARK}17"),
        label_picture("43"),
        label_picture("https://elsewhere.example"),
        label_picture(f"{MARK}17", f"{MARK}18"),
        label_picture(),
    ]
    assert phone.evaluate(CODES, [pictures, False]) == ["17", "43", "", "", ""]


def test_where_the_browser_reads_codes_itself_it_does(phone, address):
    """Chromium on Linux reads none, so that a stand-in of the same shape does."""
    phone.goto(f"{address}/walk/all/0")
    assert phone.evaluate(CODES, [[label_picture()], True]) == ["17"]


def test_large_keys_offer_only_bands_of_the_page(phone, address):
    phone.goto(f"{address}/walk/all/0")
    phone.get_by_text("Large keys").click()
    pad = phone.locator("#keypad")
    expect(pad.get_by_role("button", name="6", exact=True)).to_be_disabled()
    pad.get_by_role("button", name="4", exact=True).click()
    expect(pad.get_by_role("button", name="0", exact=True)).to_be_disabled()
    pad.get_by_role("button", name="7", exact=True).click()
    expect(phone.locator("#current")).to_have_text("47")
    # A band that others begin with is taken by a key of its own.
    pad.get_by_role("button", name="4", exact=True).click()
    pad.get_by_role("button", name="this band").click()
    expect(phone.locator("#current")).to_have_text("4")
    box = pad.get_by_role("button", name="1", exact=True).bounding_box()
    assert box["height"] >= 48
    assert box["width"] >= 48
