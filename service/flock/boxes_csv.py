"""boxes.csv: head boxes for many photos at once."""

from __future__ import annotations

import csv
from pathlib import Path

Box = tuple[float, float, float, float]


class BoxError(ValueError):
    """A box or a table of boxes that can't be used."""


def parse_box(text: str) -> Box:
    """`X0,Y0,X1,Y1` to a box. Raises BoxError.

    >>> parse_box('10,20,110,140')
    (10.0, 20.0, 110.0, 140.0)
    """
    try:
        x0, y0, x1, y1 = (float(part) for part in text.split(","))
    except ValueError:
        raise BoxError(f"box {text!r}: write four numbers X0,Y0,X1,Y1") from None
    if not (x0 < x1 and y0 < y1):
        raise BoxError(f"box {text!r}: X0 must be below X1 and Y0 below Y1")
    return x0, y0, x1, y1


def load_boxes(path: Path) -> dict[str, Box]:
    """Boxes by photo name from a table with the columns photo, x0, y0, x1, y1."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            missing = {"photo", "x0", "y0", "x1", "y1"} - set(reader.fieldnames or ())
            if missing:
                raise BoxError(f"{path}, line 1: lacks the columns {', '.join(sorted(missing))}")
            boxes = {}
            for row in reader:
                try:
                    box = parse_box(",".join(row[k] or "" for k in ("x0", "y0", "x1", "y1")))
                except BoxError as error:
                    raise BoxError(f"{path}, line {reader.line_num}: {error}") from None
                boxes[row["photo"]] = box
            return boxes
    except FileNotFoundError:
        raise BoxError(f"{path}: no such file") from None
    except UnicodeDecodeError:
        raise BoxError(f"{path}: isn't UTF-8") from None


def box_for(photo: Path, boxes: dict[str, Box]) -> Box | None:
    """The box of a photo by its path as given, by the end of its path, or by its file name."""
    parts = photo.parts
    names = [str(photo), *("/".join(parts[i:]) for i in range(len(parts)))]
    return next((boxes[name] for name in names if name in boxes), None)
