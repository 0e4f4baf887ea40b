"""Pictures of every page, on a phone and at a desk.

python -m tests.browser.screens --out docs/screens [--dark] [--language de]
"""

from __future__ import annotations

import argparse
import io
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright
from sqlalchemy import select

from service.actions.access import invite
from service.records.database import Store
from service.records.exchange.kept_lists import keep_list
from service.records.tables import HatchRow, PhotoRow
from tests.browser.demo import build, served, settings_in

SIZES = {"phone": (390, 844), "desk": (1280, 800)}
BETWEEN = {"tablet": (768, 1024)}


WHOLE = """() => {
    for (const part of document.querySelectorAll("details")) part.open = true;
    for (const image of document.images) image.loading = "eager";
    // What stays at the edge of a screen would stand in the middle of a whole page.
    for (const part of document.querySelectorAll(".top nav, .reach, .tools")) {
        part.style.position = "static";
    }
}"""


LIST = """Zuchtbuch;;;;;
Ring;Vater;Mutter;Geschlecht;Schlupf;Stall
61;11;13;1,0;03.04.2026;Nord
62;11;13;0,1;03.04.2026;Nord
63;11;99;?;31.02.2026;Nord
"""


def listed(store: Store) -> str:
    """Return the token of a list that waits to be looked over, with two mistakes in it."""
    return keep_list(store.photos.parent, LIST.encode(), "Zuchtbuch.csv")


def pages(store: Store) -> dict[str, str]:
    """Every page of the map by its name."""
    with store.reading() as session:
        hatch = session.scalar(select(HatchRow.id).where(HatchRow.name == "April 2026"))
        photo = session.scalar(select(PhotoRow.sha256).where(PhotoRow.name == "25.jpg"))
        blurred = session.scalar(select(PhotoRow.sha256).where(PhotoRow.name == "31.jpg"))
    return {
        "today": "/",
        "walk": "/walk",
        "walking": f"/walk/hatch/{hatch}?band=31",
        "assign": "/assign",
        "sort": "/sort",
        "sort-one": "/sort/one",
        "sort-settled": "/sort?pile=settled",
        "blind": f"/photos/{blurred}/blind",
        "birds": "/birds",
        "new-bird": "/new-bird",
        "list": "/lists",
        "list-preview": f"/lists/{listed(store)}",
        "bird": "/birds/25",
        "parent": "/birds/11",
        "opinion": "/birds/25/opinion?mate=11",
        "changes-of-a-bird": "",
        "photo": f"/photos/{photo}",
        "cross": "/matings",
        "test-mating": "/matings/test?bird=R/?+P/?&scored=walnut&scored=walnut&scored=walnut",
        "plan": "/matings/plan?goal=true-breeding&pen=3",
        "ways": "/matings/ways?begin=birds",
        "flock": "/flock",
        "progress": "/flock/progress",
        "reports": "/flock/reports",
        "keeping": "/keeping",
        "reader": "/reader",
        "learning": "/reader/learning",
        "guide": "/guide",
        "trail": "/changes",
        "accounts": "/accounts",
        "sign-in": "/sign-in",
        "join": f"/join/{invite(store, 'read', 'Ann')}",
        "password": "/password",
        "error": "/birds/none",
    }


def overview(folder: Path, suffix: str) -> Image.Image:
    """Sorting table and bird at a desk, the walk on a phone, side by side."""
    tall = 760
    parts = []
    for name, wide in (("sort-desk", 620), ("bird-desk", 620), ("walking-phone", 352)):
        picture = Image.open(folder / f"{name}.{suffix}").convert("RGB")
        scale = wide / picture.width
        picture = picture.resize((wide, round(picture.height * scale)))
        parts.append(picture.crop((0, 0, wide, tall)))
    whole = Image.new("RGB", (sum(p.width for p in parts) + 16 * (len(parts) - 1), tall), "#8d8271")
    x = 0
    for part in parts:
        whole.paste(part, (x, 0))
        x += part.width + 16
    return whole


def main() -> None:
    """Take all pictures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--dark", action="store_true")
    parser.add_argument("--language", default="en")
    parser.add_argument("--png", action="store_true", help="PNG in place of WebP")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    suffix = "png" if args.png else "webp"
    with tempfile.TemporaryDirectory() as home:
        settings = settings_in(Path(home))
        store = build(settings)
        with served(settings) as url, sync_playwright() as play:
            browser = play.chromium.launch(
                executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
            )
            for size, (width, height) in SIZES.items():
                page = browser.new_page(
                    viewport={"width": width, "height": height},
                    color_scheme="dark" if args.dark else "light",
                    locale=args.language,
                )
                for name, path in pages(store).items():
                    if name == "changes-of-a-bird":
                        page.goto(f"{url}/birds/25")
                        page.locator("form[action$='/changes'] button").click()
                    else:
                        page.goto(url + path)
                    page.evaluate(WHOLE)
                    page.wait_for_load_state("load")  # never idle: a walk fetches the reader
                    page.wait_for_timeout(700)
                    picture = Image.open(io.BytesIO(page.screenshot(full_page=True)))
                    picture.convert("RGB").save(
                        args.out / f"{name}-{size}.{suffix}", quality=35, method=6
                    )
                page.close()
            browser.close()
    overview(args.out, suffix).save(args.out / f"overview.{suffix}", quality=75)


if __name__ == "__main__":
    main()
