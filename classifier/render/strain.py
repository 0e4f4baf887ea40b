"""Birds of one strain, seen by one camera: what is the same in all of them, drawn from a number.

A breeder's flock differs from what a reader was trained on in that its birds are alike: one crest,
one skin, one plumage, one age, one light. The form of crest is the one that no training shows.
"""

from __future__ import annotations

from dataclasses import replace

from classifier.render.recipe import UNSEEN_CREST, Recipe, draw, palette, pick, stream

FIRST, ROOM = 800_000, 1000  # seeds of the first strain, and of each
# What walnut crossed with single gives (R and P apart), by which of the two was lost since.
FLOCKS = {
    "rose": ("single", "crest_folded_single", "walnut", "rose"),
    "pea": ("single", "crest_folded_single", "walnut", "triple_pea"),
}


def bird_of(strain: int, number: int) -> Recipe:
    """Return the recipe of a bird of a strain.

    Strains with an odd number have pea, the others rose, beside single and walnut.
    """
    rng = stream(FIRST + strain, "strain")
    combs = FLOCKS["pea" if strain % 2 else "rose"]
    crest = float(rng.uniform(0.12, 0.45))  # more would hide most combs
    dark = bool(rng.random() < 0.5)
    tables = palette()["frequencies"]
    fixed = {
        "crest_form": UNSEEN_CREST,
        "dark_skin": dark,
        "silky": bool(rng.random() < 0.3),
        "plumage": pick(rng, tables["plumage"]),
        "light": pick(rng, {"lamp": 1.0, "flash": 1.0, "shade": 1.0}),
        "backdrop": pick(rng, tables["backdrop"]),
        "age_weeks": int(rng.integers(16, 26)),
        "nuisances": (),
        "far": False,
    }
    size, beard = float(rng.uniform(0.5, 0.85)), float(rng.uniform(0.5, 1.0))
    bearded = bool(rng.random() < 0.5)
    seed = FIRST + strain * ROOM + number
    own = stream(seed, "bird of a strain")
    bird = draw(seed, combs[number % len(combs)], **fixed)
    return replace(
        bird,
        crest=float(crest * own.uniform(0.75, 1.25)),
        comb_size=float(size * own.uniform(0.8, 1.2) * (1.0 if bird.cock else 0.7)),
        beard=beard if bearded else 0.0,
        wattle=bird.wattle * (0.3 if bearded else 0.6),
    )
