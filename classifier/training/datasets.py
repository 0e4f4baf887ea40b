"""Labelled heads from photographs and renders, packed as small crops for training.

A pack is a folder with `heads.csv`, `scenes.csv` and JPEG files. Heads are square crops round
the head box with some context, for the reader; scenes are whole pictures, for the head finder.
Near duplicates of photographs share a group, and a group is never split.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from classifier.boxes import Box, crosses, shorter, square_crop
from classifier.errors import ClassifierError
from classifier.quality import measured
from classifier.vocabulary import ALLOWED, COMBS, NONE

# Wide enough that a crop may be looked at as askew as the finder's boxes lie.
HEAD_SIZE, HEAD_CONTEXT = 256, 2.0
MASK_SIZE = 64
PART = 2000  # crops in one folder of a pack
# Weeks below which a bird counts as young, and from which as grown; between them neither.
YOUNG, GROWN = 20, 26
SCENE_SIZE = 416
FAR_SIDE = 300  # renders at least so wide show more than the head
# Views in which a blade shows its edge, not its side.
FRONTAL = ("front", "above", "behind")


class DataError(ClassifierError):
    """A data set that can't be used; the message says what and where."""


@dataclass(frozen=True)
class Sample:
    """One labelled picture. `label` is a comb word, 'unclear', 'none_of_these' or 'no_head'."""

    path: Path
    source: str
    label: str
    box: Box | None
    group: str
    crest: str = ""
    beard: str = ""
    wattles: str = ""
    young: str = ""
    """'yes' or 'no' where the age is known and clear."""
    frontal: str = ""
    """'yes' or 'no' where the view is known (renders)."""
    round: str = ""
    """'second' for photographs picked because an earlier reader doubted them."""
    own_box: bool = True
    """Whether people drew the box, rather than accept a finder's."""
    mask: Path | None = None
    """Picture with the comb in red and the wattles in green."""


def rows_of(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file; DataError if it isn't there."""
    if not path.is_file():
        raise DataError("table_missing", place=path)
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def box_of(row: dict[str, str]) -> Box | None:
    """Return the box of a row, or None where the columns are empty."""
    if not row["x0"]:
        return None
    return float(row["x0"]), float(row["y0"]), float(row["x1"]), float(row["y1"])


def photographs(folder: Path, split: str) -> list[Sample]:
    """Return samples of a folder with `labels.csv`, of one split ('train' or 'check').

    Photos whose readers chose different heads are left out: nobody knows their head.
    """
    samples = []
    for row in rows_of(folder / "labels.csv"):
        if row["split"] != split or row["status"] == "other_head":
            continue
        if split == "train" and row["licence"].startswith("not stated"):
            raise DataError("licence_not_stated", place=row["file"])
        label = {"agreed": row["comb"], "unclear": "unclear", "no_head": "no_head"}.get(
            row["status"], "differ"
        )
        samples.append(
            Sample(
                folder / row["file"],
                "photo",
                label,
                box_of(row),
                f"photo-{row['group']}",
                row["crest"],
                row["beard"],
                row["wattles"],
                {"chick": "yes", "juvenile": "yes", "adult": "no"}.get(row["age"], ""),
                round="second" if row["box_from"] else "first",
                own_box=row["box_from"] in ("", "reader"),
            )
        )
    return samples


def renders(folder: Path) -> list[Sample]:
    """Return samples of a folder of rendered heads with its truth tables."""
    tables = sorted(folder.glob("truth-*.csv"))
    if not tables:
        raise DataError("no_truth_tables", place=folder)
    return [
        Sample(
            folder / row["file"],
            "render",
            row["label"],
            box_of(row),
            f"render-{int(row['seed']):06d}",
            "yes" if float(row["crest"]) > 0 else "no",
            "yes" if float(row["beard"]) > 0 else "no",
            row["wattles"],
            young_word(int(row["age_weeks"])),
            "yes" if row["view"] in FRONTAL else "no",
            mask=folder / "masks" / Path(row["file"]).with_suffix(".png").name,
        )
        for table in tables
        for row in rows_of(table)
    ]


def young_word(weeks: int) -> str:
    """Whether an age counts as young, 'yes' or 'no', or neither."""
    return "yes" if weeks < YOUNG else "no" if weeks >= GROWN else ""


def part_of_seed(seed: int) -> str:
    """Return what the render of a seed is for: 'train', 'choice' or 'test'.

    Of ten rounds of eight seeds one is for choice and calibration, and one for the test alone.
    Whole rounds, since the comb class goes with the seed's place in its round.
    """
    return {8: "choice", 9: "test"}.get(seed // 8 % 10, "train")


def part_of(sample: Sample) -> str:
    """Return what a sample is for.

    Photographs have folds and a split of their own and say 'train'.
    """
    if sample.source != "render":
        return "train"
    return part_of_seed(int(sample.group.split("-")[1]))


def not_heads(sample: Sample, picture: Image.Image, rng: np.random.Generator) -> Iterator[Box]:
    """Boxes of a photograph that hold no head: anywhere without one, else off the head."""
    for _ in range(2 if sample.label == "no_head" else 1):
        side = rng.uniform(0.15, 0.7) * min(picture.size)
        x = rng.uniform(0, picture.width - side)
        y = rng.uniform(0, picture.height - side)
        if sample.box and crosses(sample.box, (x, y, x + side, y + side)):
            continue
        yield x, y, x + side, y + side


def holds_scene(sample: Sample, picture: Image.Image) -> bool:
    """Whether the finder learns from a picture.

    Of renders every second of a whole bird and every eighth close-up, of all combs: whole birds
    are harder to find, and renders teach the finder less than photographs.
    """
    wanted = True
    if sample.source == "render":
        seed = int(sample.group.split("-")[1])
        wanted = seed // len(COMBS) % (2 if picture.width >= FAR_SIDE else 8) == 0
    return wanted and (sample.box is not None or sample.label == "no_head")


def scene_name(number: int) -> str:
    """File name of a scene in a pack."""
    return f"scenes/s{number:05d}.webp"


def put_scene(sample: Sample, picture: Image.Image, out: Path, number: int) -> dict[str, object]:
    """Write a whole picture at the finder's size and return its row."""
    scale = SCENE_SIZE / max(picture.size)
    size = (round(picture.width * scale), round(picture.height * scale))
    name = scene_name(number)
    (out / name).parent.mkdir(exist_ok=True)
    picture.resize(size, Image.Resampling.BICUBIC).save(out / name, quality=64)
    corners = [round(v * scale, 2) if v is not None else "" for v in sample.box or [None] * 4]
    return {
        "file": name,
        "source": sample.source,
        "group": sample.group,
        "part": part_of(sample),
        "label": sample.label,
        "own_box": "yes" if sample.own_box else "no",
        "scale": round(scale, 6),
        **dict(zip(("x0", "y0", "x1", "y1"), corners, strict=True)),
    }


def pack(samples: list[Sample], out: Path, seed: int = 0) -> None:
    """Write crops and scenes of `samples` to `out`; a pack that is there is replaced."""
    out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    heads: list[dict[str, object]] = []
    scenes: list[dict[str, object]] = []

    def put(crop: Image.Image, sample: Sample, label: str, scene: str = "") -> None:
        name = f"{len(heads) // PART}/h{len(heads):05d}.webp"
        (out / name).parent.mkdir(exist_ok=True)
        crop.save(out / name, quality=66)
        if sample.mask is not None and sample.mask.exists() and sample.box is not None:
            with Image.open(sample.mask) as drawn:
                cut = square_crop(drawn.convert("RGB"), sample.box, HEAD_CONTEXT, MASK_SIZE)
            parts = np.asarray(cut) > 127
            # What lies outside the picture is grey (124, 116, 104) and so counts as neither.
            code = np.where(parts[..., 0], 1, np.where(parts[..., 1], 2, 0)).astype(np.uint8)
            drawn_as = name.replace("/h", "/m").replace(".webp", ".png")
            Image.fromarray(code).save(out / drawn_as, optimize=True)
        heads.append(
            {
                "file": name,
                "source": sample.source,
                "label": label,
                "group": sample.group,
                "crest": sample.crest,
                "beard": sample.beard,
                "wattles": sample.wattles,
                "young": sample.young,
                "frontal": sample.frontal,
                "round": sample.round,
                "scene": scene,
                "part": part_of(sample),
                **quality_of(crop, sample),
                "wattle_share": share if (share := wattle_share_drawn(sample)) is not None else "",
                "pixels": "" if not sample.box else round(shorter(sample.box), 1),
            }
        )

    for sample in samples:
        if part_of(sample) == "test":
            continue  # never comes near training
        with Image.open(sample.path) as raw:
            picture = raw.convert("RGB")
        usable = sample.label in ALLOWED or sample.label in (NONE, "unclear", "differ")
        if sample.box and usable:
            scene = scene_name(len(scenes)) if holds_scene(sample, picture) else ""
            crop = square_crop(picture, sample.box, HEAD_CONTEXT, HEAD_SIZE)
            put(crop, sample, sample.label, scene)
        if sample.source == "photo":
            for box in not_heads(sample, picture, rng):
                crop = square_crop(picture, box, HEAD_CONTEXT, HEAD_SIZE)
                put(crop, sample, "not_a_head")
        if holds_scene(sample, picture):
            scenes.append(put_scene(sample, picture, out, len(scenes)))
    for name, rows in (("heads.csv", heads), ("scenes.csv", scenes)):
        with (out / name).open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]) if rows else ["file"])
            writer.writeheader()
            writer.writerows(rows)


def quality_of(crop: Image.Image, sample: Sample) -> dict[str, object]:
    """Return columns on how good a crop of a pack is; empty where there is no head."""
    if sample.box is None:
        return {"sharpness": "", "bright": ""}
    edge = HEAD_SIZE / HEAD_CONTEXT / 2
    wide, high = sample.box[2] - sample.box[0], sample.box[3] - sample.box[1]
    x, y = edge * wide / max(wide, high), edge * high / max(wide, high)
    middle = HEAD_SIZE / 2
    head = crop.crop((round(middle - x), round(middle - y), round(middle + x), round(middle + y)))
    quality = measured(head, shorter(sample.box))
    return {"sharpness": round(quality.sharpness, 4), "bright": round(quality.bright, 1)}


def wattle_share_drawn(sample: Sample) -> float | None:
    """Area of the wattles in a render's mask over that of the square round its head."""
    if sample.mask is None or sample.box is None:
        return None
    with Image.open(sample.mask) as drawn:
        green = np.asarray(drawn.convert("RGB"))[..., 1] > 127
    side = max(sample.box[2] - sample.box[0], sample.box[3] - sample.box[1])
    return round(float(green.sum() / side**2), 5)
