"""Render heads by seed: photos, masks and a truth table.

    python -m classifier.render.heads --out renders --first 0 --count 2000 --jobs 2 \\
        [--photos PHOTOS] [--shots 3] [--frames 10] [--crests] [--strain 0]

With photographs (of the split `train`), pieces of them that show no labelled head stand behind
the rendered ones. Such renders are for training alone: they must not be published.
`--shots` takes further pictures of each bird, `--frames` so many of one second and one from another
side; `--crests` only crested single combs of the test, with the form of crest that no render for
training has; `--strain` birds of one strain, numbered from `--first`.
Deterministic by seed, VERSION and photographs. A folder may be continued: seeds that are there
are skipped.
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import sys
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from classifier.render.bird import build
from classifier.render.photo import Scene, develop, resolution
from classifier.render.recipe import UNSEEN_CREST, VERSION, Recipe, draw, frames, shots
from classifier.render.shapes import Array
from classifier.render.stage import Stage
from classifier.render.strain import bird_of
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


def crested(seed: int) -> Recipe:
    """Return a single comb, folded or not, under the form of crest kept for the test."""
    comb = ("single", "crest_folded_single")[seed % 2]
    recipe = draw(seed, comb, crest_form=UNSEEN_CREST)
    return recipe if recipe.crest else replace(recipe, crest=0.3 + 0.7 * (seed % 97) / 97)


def recipes(args: argparse.Namespace) -> Iterator[Recipe]:
    """Every picture that the command line asks for and that `--out` doesn't hold."""
    done = set()
    for path in args.out.glob("truth-*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            done |= {(int(row["seed"]), int(row.get("shot") or 0)) for row in csv.DictReader(file)}
    seeds = list(range(args.first, args.first + args.count))
    if args.crests:
        seeds = [seed for seed in seeds if part_of_seed(seed) == "test"]
    for seed in seeds[int(args.part) :: args.jobs]:
        if args.strain is not None:
            bird = bird_of(args.strain, seed)
        else:
            bird = crested(seed) if args.crests else draw(seed, args.comb)
        wanted = frames(bird, args.frames) if args.frames else shots(bird, args.shots)
        yield from (r for r in wanted if (r.seed, r.shot) not in done)


def run(args: argparse.Namespace) -> None:
    """Render one part of the seeds; truth goes to `truth-<version>-<part>.csv`."""
    (args.out / "masks").mkdir(parents=True, exist_ok=True)
    # Columns may change between versions of the recipe, so each has its own table.
    table = args.out / f"truth-{VERSION}-{args.part}.csv"
    scenes = {held: scenes_of(args.photos, held) if args.photos else [] for held in (False, True)}
    stage = Stage()
    for recipe in recipes(args):
        head = render(stage, recipe, scenes=scenes[part_of_seed(recipe.seed) == "test"])
        again = f"-{recipe.shot}" if recipe.shot else ""
        name = f"{recipe.odd or recipe.comb}-{recipe.seed:06d}{again}"
        head.photo.save(args.out / f"{name}.jpg", quality=90)
        masks = Image.fromarray((head.masks * 255).astype(np.uint8))
        masks.save(args.out / "masks" / f"{name}.png")
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
    parser.add_argument("--shots", type=int, default=1, choices=(1, 2, 3))
    parser.add_argument("--frames", type=int, default=0, help="of one second, and another view")
    parser.add_argument("--strain", type=int, help="birds of one strain")
    parser.add_argument("--crests", action="store_true", help="crested single combs of the test")
    parser.add_argument(
        "--photos", type=Path, help="folder with labels.csv, whose pictures stand behind the heads"
    )
    parser.add_argument("--part", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.part is not None:
        run(args)
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
