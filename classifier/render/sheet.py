"""A contact sheet of rendered heads: a row for each kind of comb, cut to the head.

python -m classifier.render.sheet --renders renders --out sheet.jpg
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

from PIL import Image, ImageDraw

from classifier.datasets import square_crop
from classifier.render.recipe import COMBS, ODD_COMBS


def sheet(folder: Path, columns: int, side: int) -> Image.Image:
    """The first `columns` readable heads of each comb, `side` pixels each, with their name."""
    rows: dict[str, list[dict[str, str]]] = {kind: [] for kind in (*COMBS, *ODD_COMBS)}
    for table in sorted(folder.glob("truth-*.csv")):
        with table.open(newline="", encoding="utf-8") as file:
            for row in csv.DictReader(file):
                kind = row["odd"] or row["comb"]
                if row["label"] != "unclear" and len(rows[kind]) < columns:
                    rows[kind].append(row)
    strip = 18
    canvas = Image.new("RGB", (columns * side, len(rows) * (side + strip)), (251, 248, 242))
    pen = ImageDraw.Draw(canvas)
    for line, (kind, heads) in enumerate(rows.items()):
        top = line * (side + strip)
        pen.text((4, top + 3), kind.replace("_", " "), fill=(29, 26, 22))
        for column, row in enumerate(heads):
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
    parser.add_argument("--side", type=int, default=110)
    args = parser.parse_args()
    sheet(args.renders, args.columns, args.side).save(args.out, quality=80)


if __name__ == "__main__":
    main()
