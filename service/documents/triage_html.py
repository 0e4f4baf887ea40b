"""A batch written down: a table, a self-contained page with head crops, a summary."""

from __future__ import annotations

import base64
import csv
import io
import os
from collections.abc import Callable
from pathlib import Path

from jinja2 import Environment, PackageLoader, select_autoescape

from classifier.photo import head_view, open_photo
from classifier.reading import Reading
from classifier.vocabulary import COMBS, PILES, SPOKEN
from genetics.genotype import NAMES
from service.flock.assessment import PILE_ORDER, Item
from service.flock.batch import Batch
from service.wording import percent

PILE_TITLES = {
    "second_look": "Second look",
    "new_photo": "New photo",
    "settled": "Settled",
}
PILE_HELP = {
    "second_look": "Readable, but with a doubt that matters. Look at the bird itself.",
    "new_photo": "Nothing can be said from these photos. Take others.",
    "settled": "Read with confidence, and in keeping with the bird's relatives.",
}


def environment() -> Environment:
    """Templates of the service, with escaping on."""
    env = Environment(
        loader=PackageLoader("service.documents", "templates"),
        autoescape=select_autoescape(["html"]),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["percent"] = percent
    env.filters["spoken"] = lambda comb: SPOKEN.get(comb, "can't tell")
    return env


def crop_data(photo: Path, reading: Reading, side: int = 200) -> str:
    """The head of a photo as a data URL (JPEG), with some of its surroundings."""
    crop = head_view(open_photo(photo), reading.head.box, 1.25, side)
    buffer = io.BytesIO()
    crop.save(buffer, "JPEG", quality=82)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode()


def table_rows(batch: Batch) -> list[dict[str, str]]:
    """Rows of triage.csv, worst risk first."""
    rows = []
    for item in batch.items:
        row = {
            "bird": item.bird,
            "pile": item.pile,
            "proposal": item.proposal or "",
            "confidence": f"{item.confidence:.4f}",
            "risk": f"{item.risk:.4f}",
            "reasons": " | ".join(item.reasons),
            "conflict": (item.candidate.conflict if item.candidate else None) or "",
            "photos": ";".join(p.name for p in item.photos),
            "genotypes_by": item.candidate.method if item.candidate else "",
        }
        chances = item.candidate.combs if item.candidate else {}
        row |= {c: f"{chances[c]:.4f}" if chances else "" for c in COMBS}
        likely = item.candidate.genotypes if item.candidate else {}
        row |= {g: f"{likely[g]:.4f}" if likely else "" for g in NAMES}
        rows.append(row)
    return rows


def write_table(batch: Batch, path: Path) -> None:
    """triage.csv."""
    rows = table_rows(batch)
    buffer = io.StringIO(newline="")
    if rows:
        writer = csv.DictWriter(buffer, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    whole(path, buffer.getvalue())


def write_page(
    batch: Batch, path: Path, title: str, model: str, tick: Callable[[], None] = lambda: None
) -> None:
    """triage.html, self-contained."""

    def shown(item: Item) -> dict[str, object]:
        crops = [crop_data(p, r) for p, r in zip(item.photos, item.readings, strict=True)]
        tick()
        return {"item": item, "crops": crops}

    piles = [
        {
            "name": name,
            "title": PILE_TITLES[name],
            "help": PILE_HELP[name],
            "entries": [shown(item) for item in batch.pile(name)],
        }
        for name in PILE_ORDER
    ]
    page = (
        environment()
        .get_template("triage.html")
        .render(
            title=title,
            piles=piles,
            failures=batch.failures,
            unseen=batch.unseen,
            combs=COMBS,
            genotypes=NAMES,
            model=model,
            count=len(batch.items),
        )
    )
    whole(path, page)


def whole(path: Path, text: str) -> None:
    """Write a file so that it is there in full or not at all."""
    temporary = path.with_name(f".{path.name}.part")
    with temporary.open("w", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)


def summary(batch: Batch) -> dict[str, int]:
    """Number of birds in each pile, and of photos that couldn't be read."""
    counts = {name: len(batch.pile(name)) for name in PILES}
    return {**counts, "unreadable": len(batch.failures)}
