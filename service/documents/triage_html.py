"""A batch written down: a table, a self-contained page with head crops, a summary."""

from __future__ import annotations

import base64
import csv
import io
from collections.abc import Callable
from pathlib import Path

from jinja2 import Environment, PackageLoader, select_autoescape

from classifier.photo import head_view, open_photo
from classifier.reading import Reading
from classifier.vocabulary import COMBS, PILES
from genetics.genotype import NAMES
from service.flock.assessment import PILE_ORDER, Item
from service.flock.batch import Batch
from service.flock.csv_cells import defused
from service.records.photo_files import write_whole
from service.wording.language import current, marked, translated, translated_number
from service.wording.numbers import percent
from service.wording.sentences import Coded, say, word

PILE_TITLES = {
    "second_look": marked("Second look"),
    "new_photo": marked("New photo"),
    "settled": marked("Settled"),
}
PILE_HELP = {
    "second_look": marked("Readable, but with a doubt that matters. Look at the bird itself."),
    "new_photo": marked("Nothing can be said from these photos. Take others."),
    "settled": marked("Read with confidence, and in keeping with the bird's relatives."),
}


def environment() -> Environment:
    """Templates of the service, with escaping on."""
    env = Environment(
        loader=PackageLoader("service.documents", "templates"),
        autoescape=select_autoescape(["html"]),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.add_extension("jinja2.ext.i18n")
    env.install_gettext_callables(  # type: ignore[attr-defined]
        translated, translated_number, newstyle=True
    )
    env.filters.update(percent=percent, spoken=lambda comb: word(comb or ""), words=say)
    env.filters.update(sentence=sentence, capitalised=capitalised, word=word)
    env.globals["spoken_language"] = current.get
    return env


def capitalised(text: str) -> str:
    """Text with a capital at its start and the rest as it is: German nouns keep theirs.

    >>> capitalised("gefalteter Einfachkamm")
    'Gefalteter Einfachkamm'
    """
    return f"{text[:1].upper()}{text[1:]}"


def sentence(message: Coded | str) -> str:
    """Return a sentence in the language at hand, with a capital and a full stop."""
    said = message if isinstance(message, str) else say(message)
    return f"{capitalised(said)}{'' if said.endswith(('.', '?', '!')) else '.'}"


def crop_data(photo: Path, reading: Reading, side: int = 200) -> str:
    """Return the head of a photo as a data URL (JPEG), with some of its surroundings."""
    crop = head_view(open_photo(photo), reading.head.box, 1.25, side)
    buffer = io.BytesIO()
    crop.save(buffer, "JPEG", quality=82)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode()


def table_rows(batch: Batch) -> list[dict[str, str]]:
    """Rows of triage.csv, worst risk first."""
    rows = []
    for item in batch.items:
        conflict = item.candidate.conflict if item.candidate else None
        row = {
            "bird": item.bird,
            "pile": item.pile,
            "proposal": item.proposal or "",
            "confidence": f"{item.confidence:.4f}",
            "risk": f"{item.risk:.4f}",
            "reasons": " | ".join(map(say, item.reasons)),
            "conflict": say(conflict.message) if conflict else "",
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
        writer.writerows([{k: defused(str(v)) for k, v in row.items()} for row in rows])
    write_whole(path, buffer.getvalue().encode())


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
            "title": translated(PILE_TITLES[name]),
            "help": translated(PILE_HELP[name]),
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
    write_whole(path, page.encode())


def summary(batch: Batch) -> dict[str, int]:
    """Return number of birds in each pile, and of photos that couldn't be read."""
    counts = {name: len(batch.pile(name)) for name in PILES}
    return {**counts, "unreadable": len(batch.failures)}
