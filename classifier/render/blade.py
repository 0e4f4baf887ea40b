"""Combs that are thin sheets: the single comb, the same folded by a crest, trimmed, V and cup."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from classifier.render.recipe import Recipe
from classifier.render.shapes import Array, Bag, Noise, crown, grid_faces, unit

ALONG, ACROSS = 110, 14


@dataclass(frozen=True)
class Foot:
    """Where a comb stands: skin without feathers from the beak back to x = `back`."""

    back: float
    half_width: float


@dataclass(frozen=True)
class Blade:
    """A toothed sheet along the skull from `front` back to `end`; angles in radians."""

    front: float
    end: float
    height: float
    points: int
    thickness: float
    lean: Array = field(default_factory=lambda: np.zeros(ALONG))
    """Bend to the side at the top edge, one value for each station along the blade."""
    zigzag: Array = field(default_factory=lambda: np.zeros(ALONG))
    """Sideways shift of the top edge, in units of the height."""
    spread: float = 0.0
    """Constant outward tilt of the whole sheet (a V comb's horn)."""
    body: float = 0.5
    """Share of the height below the notches between the points."""
    rear: float = 0.35
    """Height of the rear lobe."""
    follow: float = 0.5
    """0: the rear lobe stands off; 1: it follows the neck."""
    sharp: float = 0.9
    ease: float = 0.8
    offset: float = 0.0
    """Sideways shift of the foot."""


def teeth(blade: Blade, rng: np.random.Generator) -> Array:
    """Profile (ALONG,) of the points above the body, 0..1."""
    u = np.linspace(0, 1, ALONG)
    if blade.points < 1:
        return np.zeros(ALONG)
    tops = np.sort(np.linspace(0.07, 0.82, blade.points) + rng.normal(0, 0.018, blade.points))
    rise = np.interp(tops, [0, 0.12, 0.45, 0.7, 1], [0.55, 0.75, 1, 0.95, 0.75])
    rise = rise * rng.uniform(0.85, 1.1, blade.points)
    half = 0.5 * 0.75 / max(blade.points - 1, 1)
    profile = np.zeros(ALONG)
    for top, height in zip(tops, rise, strict=True):
        cone = np.clip(1 - np.abs(u - top) / (half * 1.12), 0, 1) ** blade.sharp
        profile = np.maximum(profile, height * cone)
    return profile


def add_blade(
    bag: Bag, blade: Blade, rng: np.random.Generator, colour: Array, noise: Noise, tip: float = 0.3
) -> None:
    """Build the sheet as a closed surface; `tip` lightens (or darkens) its upper edge."""
    u = np.linspace(0, 1, ALONG)
    x = blade.front + (blade.end - blade.front) * u
    foot = np.stack(
        [x, blade.offset + 0 * x, crown(np.clip(x, -0.44, 0.43), blade.offset) - 0.05], -1
    )
    turn = np.radians(np.interp(u, [0, 0.15, 0.75, 1], [62, 75, 105, 122 + 46 * blade.follow]))
    low = blade.body * np.interp(u, [0, 0.06, 0.3, 0.7, 0.85, 1], [0.05, 0.5, 0.9, 1.05, 1.1, 0.75])
    height = low + (1 - blade.body) * teeth(blade, rng) * 1.1
    lobe = np.interp(u, [0.80, 0.90, 0.97, 1], [0, 0.8, 0.85, 0.5]) * (blade.rear * 1.6)
    height = np.maximum(height, lobe)
    height[0] *= 0.3
    height[-1] *= 0.85
    height = blade.height * height

    v = np.linspace(0, 1, ACROSS)[None]
    bend = blade.spread + blade.lean[:, None] * v**blade.ease
    step = np.gradient(v[0])
    up = np.cumsum(np.cos(bend) * step, 1)
    side = np.cumsum(np.sin(bend) * step, 1)
    up, side = up - up[:, :1], side - side[:, :1]
    direction = np.stack([np.cos(turn), 0 * turn, np.sin(turn)], -1)
    sheet = foot[:, None] + direction[:, None] * (height[:, None] * up)[..., None]
    sheet[..., 1] += height[:, None] * side + blade.height * blade.zigzag[:, None] * v**0.7
    sheet[..., 1] += 0.05 * blade.height * noise(sheet * np.array([1, 0, 1])) * v

    ends = np.interp(u, [0, 0.05, 0.93, 1], [0.5, 1, 1, 0.5])[:, None]
    thick = blade.thickness * (1 - 0.72 * v**1.2) * ends * (1 + 0.12 * noise(sheet * 2.5))
    normal = unit(np.cross(np.gradient(sheet, axis=0), np.gradient(sheet, axis=1)) + 1e-9)
    left, right = sheet + normal * thick[..., None], sheet - normal * thick[..., None]
    skin = np.concatenate([left, right[:, ::-1]], 1)
    skin = skin + 0.006 * noise(skin * 6)[..., None]
    rise = np.concatenate([v + 0 * thick, (v + 0 * thick)[:, ::-1]], 1)[..., None]
    shade = 0.85 + tip * rise
    bag.add("comb", skin, grid_faces(ALONG, 2 * ACROSS, True), (colour * shade).reshape(-1, 3))


def single(bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise) -> Foot:
    """Return a thin upright blade with points; large ones of hens often fall over to one side."""
    size = recipe.comb_size
    height = (0.62 if recipe.cock else 0.56) * rng.uniform(0.8, 1.2) * (0.16 + 0.75 * size)
    end = -0.18 - 0.26 * (0.35 + 0.75 * size) * rng.uniform(0.6, 1.2)
    if recipe.crest > 0.5:
        end, height = end * 0.55, height * 0.8
    lean = rng.normal(0, 0.12) * np.ones(ALONG)
    ease = 0.8
    if size > 0.38 and rng.random() < (0.12 if recipe.cock else 0.5):
        lean = rng.choice([-1, 1]) * rng.uniform(1.2, 2.5) * fallen(rng)
        ease, height = rng.uniform(0.2, 0.5), height * rng.uniform(1, 1.3)
    wave = rng.normal(0, 0.05) * np.sin(np.linspace(0, 2 * np.pi * rng.uniform(0.5, 1.4), ALONG))
    frost = "frostbite" in recipe.nuisances
    young = recipe.age_weeks < 18
    if young:  # a low blade, its points hardly begun
        height *= rng.uniform(0.55, 1)
    blade = Blade(
        front=0.45,
        end=end,
        height=height * (0.9 if frost else 1),
        points=int(rng.integers(4, 8)),
        thickness=rng.uniform(0.024, 0.045) * (0.7 + 0.4 * size),
        lean=lean,
        zigzag=wave,
        body=rng.uniform(0.62, 0.8) if frost or young else rng.uniform(0.46, 0.64),
        rear=rng.uniform(0.35, 0.6),
        follow=rng.random(),
        sharp=rng.uniform(1.1, 1.6) if frost else rng.uniform(0.62, 1.1),
        ease=ease,
    )
    add_blade(bag, blade, rng, colour, noise, tip=-0.75 if frost else 0.3)
    return Foot(end + 0.05, 0.035)


def fallen(rng: np.random.Generator) -> Array:
    """How far a blade falls over, for each station (ALONG,); negative to the other side.

    Its rear alone, as mostly; the whole, over the eye and towards the beak; or its front to one
    side and its rear to the other.
    """
    stations, amounts = (
        ([0, 0.15, 0.42, 1], [0.1, 0.3, 1, 1]),
        ([0, 0.08, 0.25, 1], [0.4, 0.9, 1, 0.9]),
        ([0, 0.1, 0.3, 0.45, 0.6, 1], [0.5, 1, 0.9, 0, -0.9, -1]),
    )[int(rng.choice(3, p=[0.5, 0.3, 0.2]))]
    return np.interp(np.linspace(0, 1, ALONG), stations, amounts)


def folded(bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise) -> Foot:
    """Return a single comb that a crest pushes forward: short, thick, laid in a fold or a zig-zag.

    Its edge with points still shows somewhere; the lump as a whole passes for walnut or rose.
    """
    size = recipe.comb_size
    u = np.linspace(0, 1, ALONG)
    end = rng.uniform(-0.06, 0.14)
    height = rng.uniform(0.34, 0.58) * (0.3 + 0.62 * size)
    side = rng.choice([-1, 1])
    cycles = rng.choice([rng.uniform(0.8, 1.1), rng.uniform(1.3, 1.9)])
    fold = np.sin(2 * np.pi * cycles * u + rng.uniform(-0.4, 0.4))
    if rng.random() < 0.6:  # zig-zag: the sheet weaves and also leans over
        zigzag = side * rng.uniform(0.22, 0.42) * fold
        lean = side * fold * rng.uniform(0.7, 1.5) + rng.normal(0, 0.4)
    else:  # one fold: the front half falls one way, the rear the other
        zigzag = side * rng.uniform(0.0, 0.15) * fold
        lean = side * rng.uniform(1.5, 2.6) * fold
    blade = Blade(
        front=0.48,
        end=end,
        height=height,
        points=int(rng.integers(3, 7)),
        thickness=rng.uniform(0.036, 0.062) * (0.6 + 0.5 * size),
        lean=lean,
        zigzag=zigzag,
        body=rng.uniform(0.5, 0.7),
        rear=rng.uniform(0.3, 0.5),
        follow=0.0,
        sharp=rng.uniform(0.8, 1.3),
        ease=rng.uniform(0.3, 0.7),
    )
    add_blade(bag, blade, rng, colour, noise)
    return Foot(end - 0.05, 0.09)


def trimmed(
    bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise
) -> Foot:
    """Return a dubbed single comb: a low, smooth, healed ridge without points."""
    end = -0.1 - rng.uniform(0.05, 0.22)
    blade = Blade(
        front=0.45,
        end=end,
        height=rng.uniform(0.015, 0.12) * (0.6 + 0.5 * recipe.comb_size),
        points=0,
        thickness=rng.uniform(0.03, 0.05),
        body=1.0,
        rear=0.2,
        follow=1.0,
    )
    add_blade(bag, blade, rng, colour, noise, tip=0.05)
    return Foot(end + 0.02, 0.05)


def horns(bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise) -> Foot:
    """Return a V comb: two horns, joined at the foot, that part to left and right."""
    size = 0.5 + 0.5 * recipe.comb_size
    front, length = rng.uniform(0.3, 0.4), rng.uniform(0.1, 0.17)
    spread, height = rng.uniform(0.3, 0.75), rng.uniform(0.28, 0.7) * size
    points = 1 if rng.random() < 0.65 else 2
    for side in (-1, 1):
        blade = Blade(
            front=front,
            end=front - length,
            height=height * rng.uniform(0.85, 1.1),
            points=points,
            thickness=rng.uniform(0.035, 0.06),
            spread=side * spread,
            lean=np.full(ALONG, side * rng.uniform(-0.5, 0.1)),
            body=0.3,
            rear=0.1,
            sharp=rng.uniform(0.8, 1.3),
            offset=side * 0.03,
        )
        add_blade(bag, blade, rng, colour, noise)
    return Foot(front - length - 0.05, 0.1)


def cup(bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise) -> Foot:
    """Return a cup (buttercup) comb.

    Two toothed walls that close to a crown, low and neat or with long points like fingers.
    """
    size = 0.45 + 0.5 * recipe.comb_size
    front, end = 0.36, rng.uniform(-0.16, -0.02)
    fingers = rng.random() < 0.5
    u = np.linspace(0, 1, ALONG)
    ring = np.sin(np.pi * np.clip(u * 1.02, 0, 1)) ** 0.6
    for side in (-1, 1):
        blade = Blade(
            front=front,
            end=end,
            height=rng.uniform(0.4, 0.66) * size if fingers else rng.uniform(0.25, 0.42) * size,
            points=int(rng.integers(3, 6)) if fingers else int(rng.integers(4, 7)),
            thickness=rng.uniform(0.026, 0.04),
            spread=side * rng.uniform(0.25, 0.7 if fingers else 0.5),
            zigzag=side * ring * rng.uniform(0.2, 0.4),
            body=rng.uniform(0.22, 0.4) if fingers else rng.uniform(0.4, 0.55),
            rear=0.25,
            sharp=rng.uniform(0.6, 1.1),
            offset=side * 0.05,
        )
        add_blade(bag, blade, rng, colour, noise)
    return Foot(end - 0.03, 0.15)


def carnation(
    bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise
) -> Foot:
    """Return a single blade with side blades at its rear, which cross it or stand off it."""
    size = 0.45 + 0.5 * recipe.comb_size
    end = rng.uniform(-0.3, -0.12)
    height = rng.uniform(0.35, 0.6) * size
    middle = Blade(
        front=0.43,
        end=end,
        height=height,
        points=int(rng.integers(4, 7)),
        thickness=rng.uniform(0.028, 0.045),
        lean=np.full(ALONG, rng.normal(0, 0.12)),
        body=rng.uniform(0.45, 0.6),
        rear=rng.uniform(0.3, 0.5),
        sharp=rng.uniform(0.7, 1.1),
    )
    add_blade(bag, middle, rng, colour, noise)
    for side in (-1, 1):
        sprig = Blade(
            front=rng.uniform(0.08, 0.24),
            end=end + rng.uniform(0, 0.08),
            height=height * rng.uniform(0.5, 0.95),
            points=int(rng.integers(1, 4)),
            thickness=rng.uniform(0.028, 0.045),
            spread=side * rng.uniform(0.5, 1.1),
            body=rng.uniform(0.3, 0.5),
            rear=0.2,
            sharp=rng.uniform(0.6, 1.1),
            offset=side * 0.04,
        )
        add_blade(bag, sprig, rng, colour, noise)
    return Foot(end - 0.02, 0.13)
