"""Feathers as coloured mesh cards: head, hackle, body, crest, beard; and their patterns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from classifier.render.recipe import Recipe, palette
from classifier.render.shapes import BALL, BALL_FACES, Array, Bag, grid_faces, linear, unit

STATIONS = np.linspace(0, 1, 5)
OUTLINE = np.array([0.45, 0.95, 1.0, 0.72, 0.08])
Painter = Callable[[int], Array]


@dataclass(frozen=True)
class Coat:
    """Two colours in linear light and how they are laid out on a feather."""

    main: Array
    second: Array
    pattern: str

    @property
    def ground(self) -> Array:
        """Mean colour, for the skin below the feathers."""
        return np.clip(0.6 * self.main + 0.25 * self.second, 0, 0.9)


def coat(name: str, rng: np.random.Generator) -> Coat:
    """Return a plumage by its name in `palette.toml`, with the spread of real birds."""
    plumes = palette()["plumes"]

    def tone(*names: str) -> Array:
        base = np.array(plumes[str(rng.choice(names))])
        return linear(base * rng.uniform(0.85, 1.08) + rng.normal(0, 0.02, 3))

    plain = {
        "white": ("white", "white", "white", "cream"),
        "black": ("black",),
        "red": ("brown", "red"),
        "buff": ("buff", "gold"),
        "grey": ("grey", "slate"),
    }
    if name in plain:
        main = tone(*plain[name])
        return Coat(main, main * rng.uniform(0.62, 0.95), "plain")
    if name == "barred":
        return Coat(tone("white", "grey", "buff"), tone("black", "slate"), "barred")
    if name == "laced":
        return Coat(tone("white", "gold", "red", "grey"), tone("black"), "laced")
    if name == "striped":
        return Coat(tone("gold", "white", "red", "buff"), tone("black", "dark"), "striped")
    if name == "splash":
        return Coat(tone("white"), tone("slate", "black"), "splash")
    raise ValueError(f"unknown plumage {name!r}; see palette.toml")


def painter(coat: Coat, rng: np.random.Generator, bars: float) -> Painter:
    """Return a function that gives vertex colours (n, 5, 3, 3) for n feathers."""

    spread = rng.uniform(0.03, 0.12)

    def paint(count: int) -> Array:
        mix: Array = np.zeros((count, 5, 3))
        if coat.pattern == "plain":
            mix[:, :, 1], mix[:, :, 0], mix[:, 0] = 0.15, 0.5, 1
            mix[:, 1] += 0.3
        elif coat.pattern == "barred":
            phase = STATIONS[None, :, None] * bars * 3 + rng.uniform(0, 1.2, (count, 1, 1))
            mix = (np.sin(phase + mix) > 0.1).astype(float)
        elif coat.pattern == "laced":
            mix[:, :, 0], mix[:, :, 2], mix[:, 4] = 1, 1, 1
        elif coat.pattern == "striped":
            mix[:, :, 1], mix[:, 0], mix[:, 4] = 1, 0.8, 0.1
        else:
            mix = mix + (rng.uniform(size=(count, 1, 1)) < 0.4)
        colours = coat.main * (1 - mix[..., None]) + coat.second * mix[..., None]
        return np.clip(colours * np.exp(rng.normal(0, spread, (count, 1, 1, 1))), 0, 0.95)

    return paint


def feathers(
    bag: Bag,
    surface: str,
    at: Array,
    normals: Array,
    flow: Array,
    *,
    length: ArrayLike,
    width: ArrayLike,
    lift: ArrayLike,
    paint: Painter,
    rng: np.random.Generator,
    droop: ArrayLike = 0.0,
    stray: float = 0.25,
) -> None:
    """Bent cards, one a feather: at (n, 3), along `flow`, standing off along `normals`."""
    count = len(at)
    if count == 0:
        return
    side = unit(np.cross(normals, flow))
    flow = unit(flow + side * rng.normal(0, stray, (count, 1)))
    side = unit(np.cross(normals, flow))
    long = np.broadcast_to(np.asarray(length, float), (count,)) * rng.uniform(0.7, 1.3, count)
    wide = np.broadcast_to(np.asarray(width, float), (count,)) * rng.uniform(0.8, 1.25, count)
    high = np.broadcast_to(np.asarray(lift, float), (count,)) * rng.uniform(0.4, 1.6, count)
    fall = np.broadcast_to(np.asarray(droop, float), (count,))
    t = STATIONS[None, :, None]
    spine = at[:, None] + flow[:, None] * (long[:, None, None] * t)
    spine = spine + normals[:, None] * ((high * long)[:, None, None] * np.sin(t * 2.2))
    spine = spine - np.array([0, 0, 1.0]) * (fall * long)[:, None, None] * t**2
    half = (wide[:, None] * OUTLINE[None])[..., None]
    cards = np.stack(
        [
            spine - side[:, None] * half,
            spine + normals[:, None] * half * 0.6,
            spine + side[:, None] * half,
        ],
        2,
    )
    quads = grid_faces(5, 3, False)
    faces = (quads[None] + (np.arange(count) * 15)[:, None, None]).reshape(-1, 4)
    bag.add(surface, cards, faces, paint(count).reshape(-1, 3))


def tuft(
    bag: Bag,
    centre: ArrayLike,
    radii: ArrayLike,
    count: int,
    *,
    length: float,
    width: float,
    droop: float,
    flow: ArrayLike,
    paint: Painter,
    ground: Array,
    rng: np.random.Generator,
    lift: float = 0.35,
    silky: bool = False,
) -> None:
    """Add a ball of feathers: crest, beard or muff."""
    middle, radius = np.asarray(centre, float), np.asarray(radii, float)
    if silky:
        count, length, width, lift = int(count * 1.8), length * 0.7, width * 0.42, lift * 1.6
    directions = unit(rng.normal(size=(count, 3)))
    bag.add("plume", middle + BALL * radius * 0.93, BALL_FACES, ground * 0.75)
    normals = unit(directions / radius)
    along = np.asarray(flow, float) + 0 * directions
    along = along - normals * (along * normals).sum(-1, keepdims=True) + 0.25 * normals
    feathers(
        bag,
        "plume",
        middle + directions * radius * 0.9,
        normals,
        unit(along),
        length=length,
        width=width,
        lift=lift,
        paint=paint,
        rng=rng,
        droop=droop,
        stray=0.8 if silky else 0.35,
    )


def crest(
    bag: Bag, recipe: Recipe, rng: np.random.Generator, coat: Coat, paint: Painter, back: float
) -> None:
    """Add a tuft on the skull behind the comb's foot, from a few feathers to a full globe."""
    size = recipe.crest
    behind = min(-0.12, back - 0.05) if rng.random() < 0.75 else -0.16
    if recipe.silky and rng.random() < 0.4:
        behind = min(0.06, back + 0.08)  # down that buries the rear of whatever comb
    ground = coat.ground
    common: dict[str, Any] = {"paint": paint, "ground": ground, "rng": rng, "silky": recipe.silky}
    if recipe.crest_form == "fountain":
        g = 0.10 + 0.16 * size
        tuft(
            bag,
            (behind - 0.04, 0, 0.30 + g * 0.35),
            (g * 1.1, g * 1.25, g * 0.8),
            1300,
            length=0.26 + 0.14 * size,
            width=0.013,
            droop=float(rng.uniform(0.5, 0.9)),
            flow=(float(rng.uniform(0.1, 0.7)), 0, 0.5),
            lift=0.6,
            **common,
        )
    elif recipe.crest_form == "globe":
        g = 0.17 + 0.22 * size
        tuft(
            bag,
            (behind - 0.06 - g * 0.4, 0, 0.28 + g * 0.45),
            (g * 1.05, g * 1.05, g * 0.9),
            1700,
            length=0.23,
            width=0.018,
            droop=float(rng.uniform(0.2, 0.5)),
            flow=(-0.5, 0, -0.5),
            **common,
        )
    else:
        g = 0.09 + 0.15 * size
        tuft(
            bag,
            (behind - 0.11, 0, 0.31 + g * 0.3),
            (g * 1.25, g * 1.15, g * 0.9),
            1000,
            length=0.18 + 0.16 * size,
            width=0.016,
            droop=0.28,
            flow=(-1.0, 0, float(rng.uniform(0, 0.4))),
            lift=0.45,
            **common,
        )


def beard(bag: Bag, recipe: Recipe, rng: np.random.Generator, coat: Coat, paint: Painter) -> None:
    """Beard below the beak and muffs on both cheeks."""
    g = recipe.beard
    common: dict[str, Any] = {
        "paint": paint,
        "ground": coat.ground,
        "rng": rng,
        "silky": recipe.silky,
    }
    tuft(
        bag,
        (0.18, 0, -0.30),
        (0.20 * g, 0.20 * g, 0.15 * g),
        900,
        length=0.15,
        width=0.018,
        droop=0.4,
        flow=(-0.3, 0, -1),
        **common,
    )
    for side in (1, -1):
        tuft(
            bag,
            (-0.02, side * 0.25, -0.17),
            (0.21 * g, 0.12 * g, 0.14 * g),
            600,
            length=0.15,
            width=0.018,
            droop=0.2,
            flow=(-1, side * 0.2, -0.35),
            **common,
        )
