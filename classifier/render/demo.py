"""Render the demo flock of `demo_images/`: an invented project of invented birds.

    python -m classifier.render.demo --out demo_images

Each bird is a recipe with its comb, crest and beard fixed by its genotype in the story; seeds
lie far above those used for training.
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from PIL import Image, ImageFilter

from classifier.render.heads import render
from classifier.render.photo import backdrop
from classifier.render.recipe import draw, stream
from classifier.render.stage import Stage

FIRST_SEED, SIZE = 900_000, 512
CLEAR: dict[str, Any] = {
    "far": False,
    "nuisances": (),
    "blur": 0.0,
    "dark_skin": False,
    "silky": False,
    "view": "side",
    "light": "shade",
    "sharp": True,
}


@dataclass(frozen=True)
class Scene:
    """One bird of the demo: its row in flock.csv and how its head is rendered."""

    band: str
    comb: str
    sire: str = ""
    dam: str = ""
    cock: bool = False
    hatched: str = ""
    crest: float = 0.0
    beard: float = 0.0
    said: str = ""
    genotype: str = ""
    notes: str = ""
    special: str = ""
    seed: int = 0
    fixed: dict[str, Any] = field(default_factory=dict)


def birds() -> list[Scene]:
    """Return the whole flock in the order of the list."""
    old, f1, third = "2024-04-02", "2025-03-22", "2026-04-11"
    walnut, single = "walnut", "single"
    rows = [
        Scene(
            "1",
            walnut,
            cock=True,
            hatched=old,
            crest=0.45,
            said=walnut,
            genotype="R/R P/P",
            notes="foundation cock, from a closed walnut line",
        ),
        Scene("2", single, hatched=old, said=single, notes="single-combed layer"),
        Scene("3", single, hatched=old, said=single, notes="single-combed layer"),
        Scene("4", single, hatched=old, said=single, notes="single-combed layer"),
        Scene("5", single, cock=True, hatched=old, said=single, notes="cock of the layer pen"),
    ]
    first = [
        ("11", "2", True, 0.0),
        ("12", "2", False, 0.3),
        ("13", "3", False, 0.0),
        ("14", "3", True, 0.0),
        ("15", "4", False, 0.0),
        ("16", "4", False, 0.0),
    ]
    rows += [
        Scene(band, walnut, "1", dam, cock, f1, crest, notes="F1 of the walnut cross")
        for band, dam, cock, crest in first
    ]
    rows += [
        Scene(
            "17",
            single,
            "1",
            "3",
            False,
            f1,
            notes="F1 of the walnut cross",
            special="band mixed up with 18: really a chick of the layer pen",
        ),
        Scene(
            "18",
            walnut,
            "5",
            "2",
            False,
            f1,
            notes="chick of the layer pen",
            special="band mixed up with 17: really an F1",
        ),
        Scene("19", single, "5", "2", True, f1, notes="chick of the layer pen"),
    ]
    back = [
        ("21", "rose", True, 0.0, 0.0, ""),
        ("22", "single", False, 0.0, 0.0, ""),
        ("23", "walnut", True, 0.0, 0.0, ""),
        ("24", "single_blade_pea", True, 0.0, 0.0, ""),
        ("25", "crest_folded_single", False, 0.5, 0.0, "looks like a walnut"),
        ("26", "rose", False, 0.0, 0.0, ""),
        ("27", "single", True, 0.0, 0.0, ""),
        ("28", "single_blade_pea", False, 0.0, 0.8, ""),
        ("29", "walnut", False, 0.0, 0.0, ""),
        ("30", "rose", True, 0.0, 0.0, ""),
        ("31", "single", False, 0.0, 0.0, "photo blurred"),
        ("32", "walnut", True, 0.0, 0.7, ""),
        ("33", "single", True, 0.0, 0.0, "trimmed comb"),
    ]
    rows += [
        Scene(
            band,
            comb,
            "5" if crest else "11",
            dam_of(crest, beard, "2" if int(band) % 2 else "4"),
            cock,
            third,
            crest,
            beard,
            notes="back-cross of F1 hen 12" if crest else "back-cross of F1 cock 11",
            special=special,
        )
        for band, comb, cock, crest, beard, special in back
    ]
    inter = [
        ("41", "walnut", True, 0.0, 0.0, ""),
        ("42", "walnut", False, 0.0, 0.0, ""),
        ("43", "triple_pea", True, 0.0, 0.0, ""),
        ("44", "rose", True, 0.0, 0.0, ""),
        ("45", "walnut", True, 0.0, 0.8, ""),
        ("46", "crest_folded_single", True, 0.55, 0.0, "looks like a walnut"),
        ("47", "single_blade_pea", True, 0.0, 0.0, ""),
        ("48", "walnut", True, 0.0, 0.0, ""),
        ("49", "rose", False, 0.0, 0.0, ""),
        ("50", "walnut", False, 0.0, 0.0, "no bird"),
        ("51", "walnut", True, 0.35, 0.0, ""),
        ("52", "single", True, 0.0, 0.0, ""),
    ]
    rows += [
        Scene(
            band,
            comb,
            "14",
            dam_of(crest, beard, "13" if int(band) % 2 else "15"),
            cock,
            third,
            crest,
            beard,
            notes="intercross of F1 birds",
            special=special,
        )
        for band, comb, cock, crest, beard, special in inter
    ]
    return rows


def dam_of(crest: float, beard: float, usual: str) -> str:
    """Return a chick's dam: crests come from hen 12, beards from a hen that isn't on the list."""
    return "" if beard else "12" if crest else usual


def photo_of(stage: Stage, bird: Scene) -> Image.Image:
    """Return the bird's photo, with what its story does to it."""
    seed = bird.seed or FIRST_SEED + int(bird.band)
    if bird.special == "no bird":
        rng = stream(seed, "empty")
        return backdrop("straw", SIZE, rng)
    comb, odd = ("none_of_these", "trimmed") if bird.special == "trimmed comb" else (bird.comb, "")
    grown = 0.95 if bird.cock else 0.6
    fixed: dict[str, Any] = CLEAR | {
        "cock": bird.cock,
        "age_weeks": 25 if bird.hatched.startswith("2026") else 80,
        "comb_size": grown * stream(seed, "demo").uniform(0.85, 1.1),
        "crest": bird.crest,
        "beard": bird.beard,
        "backdrop": str(stream(seed, "demo").choice(["grass", "straw", "wall", "earth"])),
    }
    if odd:
        fixed["odd"] = odd
    head = render(stage, draw(seed, comb, **(fixed | bird.fixed)), SIZE)
    photo = head.photo
    if bird.special == "photo blurred":
        photo = photo.filter(ImageFilter.GaussianBlur(SIZE / 45))
    return photo


def row_of(bird: Scene) -> dict[str, str]:
    """Return the bird's row in flock.csv."""
    yes = {True: "yes", False: "no"}
    return {
        "bird": bird.band,
        "sire": bird.sire,
        "dam": bird.dam,
        "sex": "cock" if bird.cock else "hen",
        "hatched": bird.hatched,
        "comb": bird.said,
        "comb_by": "keeper" if bird.said else "",
        "crest": yes[bird.crest > 0],
        "beard": yes[bird.beard > 0],
        "wattles": "",
        "genotype": bird.genotype,
        "photo": f"{bird.band}.jpg",
        "notes": bird.notes,
    }


def main() -> None:
    """Render the photos and write flock.csv."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", nargs="*", help="bands to render again")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    flock = birds()
    with (args.out / "flock.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(row_of(flock[0])), lineterminator="\n")
        writer.writeheader()
        writer.writerows(row_of(b) for b in flock)
    stage = Stage()
    for bird in flock:
        if not args.only or bird.band in args.only:
            photo_of(stage, bird).save(args.out / f"{bird.band}.jpg", quality=88)


if __name__ == "__main__":
    main()
