"""boxes.csv: head boxes for many photos at once."""

from __future__ import annotations

import csv
from pathlib import Path

from genetics.messages import Place
from service.errors import BoxError

Box = tuple[float, float, float, float]


def parse_box(text: str) -> Box:
    """`X0,Y0,X1,Y1` to a box. Raises BoxError.

    >>> parse_box('10,20,110,140')
    (10.0, 20.0, 110.0, 140.0)
    """
    try:
        x0, y0, x1, y1 = (float(part) for part in text.split(","))
    except ValueError:
        raise BoxError("box_not_numbers", box=text) from None
    if not (x0 < x1 and y0 < y1):
        raise BoxError("box_turned", box=text)
    return x0, y0, x1, y1


def load_boxes(path: Path) -> dict[str, Box]:
    """Boxes by photo name from a table with the columns photo, x0, y0, x1, y1."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            missing = {"photo", "x0", "y0", "x1", "y1"} - set(reader.fieldnames or ())
            if missing:
                raise BoxError(
                    "columns_missing", place=Place(str(path), 1), columns=tuple(sorted(missing))
                )
            boxes = {}
            for row in reader:
                try:
                    box = parse_box(",".join(row[k] or "" for k in ("x0", "y0", "x1", "y1")))
                except BoxError as error:
                    place = Place(str(path), reader.line_num)
                    raise BoxError(error.code, place=place, **error.values) from None
                boxes[row["photo"]] = box
            return boxes
    except FileNotFoundError:
        raise BoxError("no_such_file", place=Place(str(path))) from None
    except UnicodeDecodeError:
        raise BoxError("not_utf8", place=Place(str(path))) from None


def box_for(photo: Path, boxes: dict[str, Box]) -> Box | None:
    """Return box of a photo by its path as given, by the end of its path, or by its file name."""
    parts = photo.parts
    names = [str(photo), *("/".join(parts[i:]) for i in range(len(parts)))]
    return next((boxes[name] for name in names if name in boxes), None)
