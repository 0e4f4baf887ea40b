"""Render the heads of the field guide: each comb by itself, and beside what it is taken for.

    python -m classifier.render.guide --out service/web/static/guide

The same bird carries every comb, so that nothing else differs between the pictures. Seeds lie far
above those used for training.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from classifier.render.demo import CLEAR
from classifier.render.heads import render
from classifier.render.recipe import COMBS, NONE, Recipe, draw
from classifier.render.stage import Stage

SEED, SIZE, SHOWN = 950_000, 640, 420
ONE_BIRD: dict[str, Any] = CLEAR | {
    "backdrop": "plain",
    "plumage": "buff",
    "beard": 0.0,
    "crest": 0.0,
    "cock": True,
    "age_weeks": 60,
    "comb_size": 0.95,
    "wattle": 0.6,
}
VIEWS = ("side", "quarter")
# What each picture beyond the plain ones shows: (file, comb, what differs).
OTHERS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("folded-hen", "crest_folded_single", {"crest": 0.9, "cock": False, "comb_size": 0.6}),
    ("walnut-crested", "walnut", {"crest": 0.6}),
    ("walnut-bearded", "walnut", {"crest": 0.6, "beard": 0.9, "wattle": 0.1}),
    ("single-low", "single", {"comb_size": 0.4, "age_weeks": 14, "wattle": 0.2}),
    ("single_blade_pea-young", "single_blade_pea", {"comb_size": 0.4, "age_weeks": 14}),
    ("trimmed", NONE, {"odd": "trimmed"}),
)


def recipes() -> list[tuple[str, Recipe]]:
    """Every picture's file name and recipe."""
    found = []
    for comb in COMBS:
        crest = {"crest": 0.6} if comb == "crest_folded_single" else {}
        for view in VIEWS:
            name = comb if view == "side" else f"{comb}-{view}"
            found.append((name, draw(SEED, comb, **(ONE_BIRD | crest | {"view": view}))))
    for name, comb, differs in OTHERS:
        found.append((name, draw(SEED, comb, **(ONE_BIRD | differs))))
    return found


def main() -> None:
    """Render all, or those named."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", nargs="*", help="names to render again")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    stage = Stage()
    for name, recipe in recipes():
        if not args.only or name in args.only:
            head = render(stage, recipe, SIZE)
            x0, y0, x1, y1 = head.box
            half = min(0.6 * max(x1 - x0, y1 - y0), SIZE / 2)
            x = min(max((x0 + x1) / 2, half), SIZE - half)
            y = min(max((y0 + y1) / 2, half), SIZE - half)
            crop = head.photo.crop((int(x - half), int(y - half), int(x + half), int(y + half)))
            crop.resize((SHOWN, SHOWN)).save(args.out / f"{name}.jpg", quality=82)


if __name__ == "__main__":
    main()
