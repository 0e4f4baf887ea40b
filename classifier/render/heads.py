"""Render heads by seed: photos, masks and a truth table.

    python -m classifier.render.heads --out renders --first 0 --count 2000 --jobs 2 \\
        [--photos PHOTOS]

With photographs (of the split `train`), pieces of them that show no labelled head stand behind
the rendered ones. Such renders are for training alone: they must not be published.
Deterministic by seed, VERSION and photographs. A folder may be continued: seeds that are there
are skipped.
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import sys
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from classifier.render.bird import build
from classifier.render.photo import Scene, develop, resolution
from classifier.render.recipe import VERSION, Recipe, draw
from classifier.render.shapes import Array
from classifier.render.stage import Stage
from classifier.training.datasets import part_of_seed, photographs

NEAR, FAR = 224, 320
# Below these the comb can't be told from the picture, and the truth says `unclear`.
LEAST_VISIBLE, LEAST_PIXELS, LEAST_SHARE = 0.33, 60, 0.007


@dataclass(frozen=True)
class Head:
    """A rendered photo with its truth; box in pixels (x0, y0, x1, y1)."""

    recipe: Recipe
    photo: Image.Image
    masks: Array
    box: tuple[int, int, int, int]
    comb_visible: float
    comb_pixels: int
    """Pixels of the comb that the photo resolves, after its loss of resolution."""

    @property
    def readable(self) -> bool:
        """Whether enough of the comb shows; a combless head shows all there is."""
        if self.recipe.odd == "combless":
            return True
        x0, y0, x1, y1 = self.box
        share = float((self.masks[..., 0] > 0.5).sum()) / max(1, (x1 - x0) * (y1 - y0))
        enough = self.comb_pixels >= LEAST_PIXELS and share >= LEAST_SHARE
        return self.comb_visible >= LEAST_VISIBLE and enough

    def truth(self, file: str) -> dict[str, Any]:
        """Return a row of the truth table."""
        row = {"file": file, **self.recipe.truth()}
        row["label"] = self.recipe.comb if self.readable else "unclear"
        row["comb_visible"] = round(self.comb_visible, 3)
        row["comb_pixels"] = self.comb_pixels
        row.update(zip(("x0", "y0", "x1", "y1"), self.box, strict=True))
        return row


def head_box(masks: Array) -> tuple[int, int, int, int]:
    """Box (x0, y0, x1, y1) of the head's visible pixels; the whole picture if there are none."""
    rows, columns = np.nonzero(masks[..., 2] > 0.5)
    if not len(rows):
        return 0, 0, masks.shape[1], masks.shape[0]
    return (
        int(columns.min()),
        int(rows.min()),
        int(columns.max()) + 1,
        int(rows.max()) + 1,
    )


def scenes_of(photos: Path, held: bool) -> list[Scene]:
    """Photographs of the split `train` to stand behind heads; the test's renders have their own."""
    return [
        Scene(sample.path, sample.box)
        for sample in photographs(photos, "train")
        if (zlib.crc32(sample.group.encode()) % 5 == 0) == held
    ]


def render(
    stage: Stage, recipe: Recipe, size: int | None = None, scenes: Sequence[Scene] = ()
) -> Head:
    """Render one recipe; `size` in pixels, else 224 near and 320 far."""
    shot = stage.shoot(recipe, build(recipe), size or (FAR if recipe.far else NEAR))
    box = head_box(shot.masks)
    longest = max(box[2] - box[0], box[3] - box[1])
    photo = develop(shot.picture, recipe, longest, scenes)
    kept = (resolution(recipe, photo.width, longest) / photo.width) ** 2
    pixels = int((shot.masks[..., 0] > 0.5).sum() * kept)
    return Head(recipe, photo, shot.masks, box, shot.comb_visible, pixels)


def run(
    out: Path, seeds: list[int], comb: str | None, part: str, photos: Path | None = None
) -> None:
    """Render `seeds` into `out`; truth goes to `truth-<version>-<part>.csv`."""
    (out / "masks").mkdir(parents=True, exist_ok=True)
    # Columns may change between versions of the recipe, so each has its own table.
    table = out / f"truth-{VERSION}-{part}.csv"
    done = set()
    for path in out.glob("truth-*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            done |= {int(row["seed"]) for row in csv.DictReader(file)}
    scenes = {held: scenes_of(photos, held) if photos else [] for held in (False, True)}
    stage = Stage()
    for seed in seeds:
        if seed in done:
            continue
        head = render(stage, draw(seed, comb), scenes=scenes[part_of_seed(seed) == "test"])
        name = f"{head.recipe.odd or head.recipe.comb}-{seed:06d}"
        head.photo.save(out / f"{name}.jpg", quality=90)
        Image.fromarray((head.masks * 255).astype(np.uint8)).save(out / "masks" / f"{name}.png")
        row = head.truth(f"{name}.jpg")
        fresh = not table.exists()
        with table.open("a", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(row))
            if fresh:
                writer.writeheader()
            writer.writerow(row)


def main() -> None:
    """Command line: share the seeds among processes, one Blender each."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--comb")
    parser.add_argument(
        "--photos", type=Path, help="folder with labels.csv, whose pictures stand behind the heads"
    )
    parser.add_argument("--part", help=argparse.SUPPRESS)
    args = parser.parse_args()
    seeds = list(range(args.first, args.first + args.count))
    if args.part is not None:
        run(args.out, seeds[int(args.part) :: args.jobs], args.comb, args.part, args.photos)
        return
    command = [sys.executable, "-m", "classifier.render.heads", *sys.argv[1:]]
    # Our own module by our own Python, no shell.
    workers = [
        subprocess.Popen([*command, "--part", str(i)])  # noqa: S603
        for i in range(args.jobs)
    ]
    sys.exit(max(worker.wait() for worker in workers))


if __name__ == "__main__":
    main()
