"""What is to be rendered: every choice about a head, drawn from its seed.

The same frequencies of crest, beard, wattles, colours, ages, views and backgrounds hold for
every comb class, so that nothing but the comb itself tells the class. The one exception is in
the nature of the thing: a comb is folded by a crest.
"""

from __future__ import annotations

import tomllib
from dataclasses import asdict, dataclass, replace
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from classifier.training.datasets import part_of_seed

VERSION = 4
COMBS = ("single", "crest_folded_single", "rose", "single_blade_pea", "triple_pea", "walnut")
# Combs that are none of the six, and how often each is drawn among them (assumption).
ODD_COMBS = {"v": 0.22, "cup": 0.22, "carnation": 0.12, "combless": 0.14, "trimmed": 0.3}
# Two forms of crest are for training; the third is kept for the test, where half of them have it.
CREST_FORMS, UNSEEN_CREST = ("tuft", "globe"), "fountain"
NONE = "none_of_these"
# A pass through this list gives every class its share; none-of-these gets one in eight.
ROUND = (*COMBS, "walnut", NONE)
BURST = 10
NUISANCES = ("hand", "wire", "neighbour", "frostbite", "wet", "straw")


@cache
def palette() -> dict[str, Any]:
    """Return the tables of colours and frequencies in `palette.toml`."""
    text = resources.files(__package__).joinpath("palette.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@dataclass(frozen=True)
class Recipe:
    """Every choice about one head. Sizes are relative: 0 none, about 1 a full-grown cock's."""

    seed: int
    comb: str
    odd: str = ""
    cock: bool = True
    age_weeks: int = 52
    comb_size: float = 1.0
    crest: float = 0.0
    crest_form: str = "tuft"
    beard: float = 0.0
    wattle: float = 0.5
    plumage: str = "white"
    silky: bool = False
    dark_skin: bool = False
    view: str = "side"
    light: str = "shade"
    backdrop: str = "grass"
    far: bool = False
    nuisances: tuple[str, ...] = ()
    blur: float = 0.0
    sharp: bool = False
    """Keep the full resolution, as a steady hand at arm's length would."""
    shot: int = 0
    """0 the first picture of a bird, 1 one of the same moment, 2 another view; from BURST on the
    next frames of the first one's second."""

    @property
    def wattle_word(self) -> str:
        """The wattle size in the words of flock.csv, or 'none'."""
        bounds = ((0.04, "none"), (0.3, "small"), (0.62, "medium"))
        return next((word for bound, word in bounds if self.wattle < bound), "large")

    def of_shot(self, part: str) -> str:
        """Name of the stream for a part that another view draws anew and a burst doesn't."""
        return f"{part} again" if self.shot == 2 else part

    def truth(self) -> dict[str, Any]:
        """Columns for the truth table."""
        row = asdict(self)
        row["nuisances"] = ";".join(self.nuisances)
        row["sex"] = "cock" if row.pop("cock") else "hen"
        row["wattles"] = self.wattle_word
        row["version"] = VERSION
        return row


def stream(seed: int, part: str) -> np.random.Generator:
    """Return a random generator of its own for each part of a head.

    A change in how one part draws then leaves the others of the same seed as they were.
    """
    return np.random.default_rng([VERSION, seed, *part.encode()])


def pick(rng: np.random.Generator, table: dict[str, float]) -> str:
    """Return a key of `table`, drawn by weight."""
    weights = np.array(list(table.values()), float)
    return str(rng.choice(list(table), p=weights / weights.sum()))


def grown(age_weeks: float, cock: bool) -> float:
    """How far the comb has grown at an age, 0..1 (assumption: cockerels show earlier)."""
    middle, span = (13.0, 4.0) if cock else (19.0, 4.5)
    return float(1 / (1 + np.exp(-(age_weeks - middle) / span)))


def frames(recipe: Recipe, count: int) -> list[Recipe]:
    """Return the frames of a second, the first picture first, and after them another view."""
    first, _, other = shots(recipe, 3)
    return [first, *(replace(recipe, shot=BURST + i) for i in range(count - 1)), other]


def shots(recipe: Recipe, count: int) -> list[Recipe]:
    """Return one to three pictures of a bird: one, another of the same moment, another view."""
    views = palette()["frequencies"]["view"]
    other = pick(
        stream(recipe.seed, "other view"), {k: v for k, v in views.items() if k != recipe.view}
    )
    return [recipe, replace(recipe, shot=1), replace(recipe, shot=2, view=other)][:count]


def draw(seed: int, comb: str | None = None, **fixed: Any) -> Recipe:
    """Return the recipe of a seed; `comb` and any other field may be fixed by the caller.

    Raises ValueError for a comb class that doesn't exist.
    """
    if comb is not None and comb not in (*COMBS, NONE):
        raise ValueError(f"unknown comb class {comb!r}; choose one of {', '.join((*COMBS, NONE))}")
    rng = stream(seed, "recipe")
    tables = palette()["frequencies"]
    comb = comb or ROUND[seed % len(ROUND)]
    cock = bool(rng.random() < 0.55)
    age = int(rng.integers(6, 26)) if rng.random() < 0.4 else int(rng.integers(26, 160))
    size = rng.uniform(0.6, 1.15) if cock else rng.uniform(0.22, 0.75)
    size = max(0.14, float(size * (0.2 + 0.8 * grown(age, cock))))
    crested = rng.random() < 0.33 or comb == "crest_folded_single"
    crest = float(rng.uniform(0.2, 1.0)) if crested else 0.0
    form = "globe" if crest > 0.6 and rng.random() < 0.55 else "tuft"
    if rng.random() < 0.5 and part_of_seed(seed) == "test":
        form = UNSEEN_CREST
    beard = float(rng.uniform(0.5, 1.15)) if rng.random() < 0.25 else 0.0
    wattle = float(rng.uniform(0.0, 1.0)) * (0.35 + 0.65 * size / 1.1)
    if rng.random() < 0.12:
        wattle = 0.0
    if beard:
        wattle *= 0.25
    odd = pick(rng, ODD_COMBS) if comb == NONE else ""
    if odd == "trimmed" and rng.random() < 0.6:
        wattle = 0.0  # who trims the comb mostly trims the wattles too
    nuisances = tuple(n for n in NUISANCES if rng.random() < tables["nuisance"][n])
    far = bool(rng.random() < 0.28)
    recipe = Recipe(
        seed=seed,
        comb=comb,
        odd=odd,
        cock=cock,
        age_weeks=age,
        comb_size=size,
        crest=crest,
        crest_form=form,
        beard=beard,
        wattle=wattle,
        plumage=pick(rng, tables["plumage"]),
        silky=bool(rng.random() < 0.15),
        dark_skin=bool(rng.random() < 0.17),
        view=pick(rng, tables["view"]),
        light=pick(rng, tables["light"]),
        backdrop=pick(rng, tables["backdrop"]),
        far=far,
        nuisances=nuisances,
        blur=float(rng.uniform(0.3, 1.2)) if rng.random() < 0.25 else 0.0,
    )
    return replace(recipe, **fixed)
