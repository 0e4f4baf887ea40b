"""A contact sheet of rendered heads: every comb, nuisance, view and age, and the look-alikes.

python -m classifier.render.sheet --renders renders --out sheet.jpg
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Callable
from pathlib import Path

from PIL import Image, ImageDraw

from classifier.boxes import square_crop
from classifier.render.recipe import COMBS, NUISANCES, ODD_COMBS

Row = dict[str, str]
VIEWS = ("side", "quarter", "front", "above", "behind")
# Combs that pass for each other, side by side.
PAIRS = (
    ("crest_folded_single", "walnut"),
    ("crest_folded_single", "rose"),
    ("single_blade_pea", "single"),
    ("triple_pea", "walnut"),
    ("rose", "walnut"),
)


def table(folder: Path) -> list[Row]:
    """Return the truth of all heads of a folder, the newest version of the renderer first."""
    rows: list[Row] = []
    for path in sorted(folder.glob("truth-*.csv"), reverse=True):
        with path.open(newline="", encoding="utf-8") as file:
            rows += csv.DictReader(file)
    return rows


def kinds(columns: int) -> list[tuple[str, list[Callable[[Row], bool]]]]:
    """Rows of the sheet: a name, and for each column what its head must be."""

    def of(kind: str) -> Callable[[Row], bool]:
        return lambda row: (row["odd"] or row["comb"]) == kind and row["label"] != "unclear"

    def where(column: str, word: str) -> Callable[[Row], bool]:
        return lambda row: word in row[column].split(";")

    def aged(low: int, high: int) -> Callable[[Row], bool]:
        return lambda row: low <= int(row["age_weeks"]) < high and row["label"] != "unclear"

    def at_least(column: str, low: float) -> Callable[[Row], bool]:
        return lambda row: float(row[column]) >= low and row["label"] != "unclear"

    rows = [(k.replace("_", " "), [of(k)] * columns) for k in (*COMBS, *ODD_COMBS)]
    rows += [(n, [where("nuisances", n)] * columns) for n in NUISANCES]
    rows += [(f"seen from {v}", [where("view", v)] * columns) for v in VIEWS]
    rows.append(("6 to 15 weeks", [aged(6, 15)] * columns))
    rows.append(("15 to 26 weeks", [aged(15, 26)] * columns))
    rows.append(("crested", [at_least("crest", 0.5)] * columns))
    rows.append(("bearded", [at_least("beard", 0.7)] * columns))
    rows.append(("too covered or turned to tell", [where("label", "unclear")] * columns))
    for pair in PAIRS:
        names = " beside ".join(k.replace("_", " ") for k in pair)
        rows.append((names, [of(pair[i % 2]) for i in range(columns)]))
    return rows


def sheet(folder: Path, columns: int, side: int) -> Image.Image:
    """Heads of every kind, `side` pixels each, with their name; no head stands there twice."""
    heads = [row for row in table(folder) if row["x0"]]
    rows = kinds(columns)
    strip = 18
    canvas = Image.new("RGB", (columns * side, len(rows) * (side + strip)), (251, 248, 242))
    pen = ImageDraw.Draw(canvas)
    used: set[str] = set()
    for line, (name, wanted) in enumerate(rows):
        top = line * (side + strip)
        pen.text((4, top + 3), name, fill=(29, 26, 22))
        for column, fits in enumerate(wanted):
            row = next((r for r in heads if r["file"] not in used and fits(r)), None)
            if row is None:
                continue
            used.add(row["file"])
            with Image.open(folder / row["file"]) as picture:
                box = tuple(float(row[k]) for k in ("x0", "y0", "x1", "y1"))
                crop = square_crop(
                    picture.convert("RGB"), (box[0], box[1], box[2], box[3]), 1.2, side
                )
            canvas.paste(crop, (column * side, top + strip))
    return canvas


def main() -> None:
    """Write the sheet."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--renders", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--columns", type=int, default=12)
    parser.add_argument("--side", type=int, default=96)
    args = parser.parse_args()
    sheet(args.renders, args.columns, args.side).save(args.out, quality=76)


if __name__ == "__main__":
    main()
