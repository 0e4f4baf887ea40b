"""Combs that are solid: rose, single-blade pea, triple pea and walnut."""

from __future__ import annotations

import numpy as np

from classifier.render.blade import Foot
from classifier.render.recipe import Recipe
from classifier.render.shapes import (
    FINE,
    FINE_FACES,
    Array,
    Bag,
    Noise,
    beads,
    crown,
    grid_faces,
    unit,
)


def rose(bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise) -> Foot:
    """Broad, solid, low, with small points or nearly smooth; a leader behind, split by a crest."""
    size = recipe.comb_size
    width = rng.uniform(0.14, 0.22) * (0.45 + 0.62 * size)
    height = rng.uniform(0.12, 0.25) * (0.4 + 0.68 * size)
    square = 0.55 + 0.35 * rng.uniform(0.2, 0.9)
    front, back = 0.42 + 0.05 * size, rng.uniform(-0.18, -0.02)
    leader = rng.uniform(0.2, 0.62) * (0.4 + 0.65 * size)
    # Along the neck (negative), level, or rising.
    rise = pick_rise(rng)
    if rng.random() < 0.1:
        leader *= 0.25  # lost or never there: the look-alike of a walnut
    n, m, split = 70, 40, 0.68
    s = np.linspace(0, 1, n)
    stations = [0, 0.015, 0.05, 0.14, 0.35, 0.55, split, 0.8, 0.93, 1]
    widths = width * np.interp(
        s, stations, [0.02, 0.45, 0.78, 0.97, 1, 0.87, 0.6, 0.34, 0.18, 0.02]
    )
    heights = height * np.interp(
        s, [0, 0.015, 0.05, 0.15, 0.5, split, 0.85, 1], [0.02, 0.45, 0.75, 1, 0.97, 0.78, 0.4, 0.05]
    )
    behind = (s - split) / (1 - split)
    x = np.where(s < split, front + (back - front) * s / split, back - leader * behind)
    foot = np.where(s < split, crown(np.clip(x, -0.3, 0.4)) - 0.01, 0)
    tail = float(crown(back)) - 0.01 + height * 0.25 * behind
    tail = tail + leader * rise * np.maximum(behind, 0) ** 1.3 + 0.03 * behind
    foot = np.where(s >= split, tail, foot)
    foot = np.maximum(foot, np.interp(x, [0.2, 0.45, 0.6], [-1, 0.16, 0.15]))
    turn = np.linspace(0, 2 * np.pi, m, endpoint=False)
    cos, sin = np.cos(turn), np.sin(turn)
    yy, zz = np.sign(cos) * np.abs(cos) ** square, np.sign(sin) * np.abs(sin) ** square
    dent = 1 - rng.uniform(0, 0.3) * np.exp(-((yy / 0.35) ** 2)) * (zz > 0)
    surface = np.stack(
        [
            x[:, None] + 0 * yy,
            widths[:, None] * yy,
            foot[:, None] + heights[:, None] * np.where(zz > 0, zz * dent, 0.6 * zz),
        ],
        -1,
    )
    if recipe.crest > 0.35 and rng.random() < 0.6:
        spikes = int(rng.integers(2, 5))
        wave = np.cos(np.linspace(-np.pi * spikes / 2, np.pi * spikes / 2, m))
        notch = np.clip(behind, 0, 1)[:, None] * (wave < 0)[None]
        surface[..., 0] += leader * 0.5 * notch
        surface[..., 1] *= 1 + 0.8 * np.clip(behind, 0, 1)[:, None]
    surface = surface + 0.012 * noise(surface * 2.0)[..., None]
    bag.add("comb", surface, grid_faces(n, m, True), colour * 0.88)

    smooth = rng.random() < (0.15 if recipe.cock else 0.4)
    gap = rng.uniform(0.034, 0.06) * (0.7 + 0.32 * size)
    at, normals = [], []
    for station in np.arange(0.02, 0.86, gap / (front - back) * split * 1.05):
        w, xx, zc, hh = (float(np.interp(station, s, a)) for a in (widths, x, foot, heights))
        count = max(1, int(2 * w * 1.25 / gap))
        for angle in np.linspace(0.03, 0.97, count) * np.pi if count > 1 else [np.pi / 2]:
            a = angle + rng.normal(0, 0.5 / max(count, 3))
            c, z = float(np.cos(a)), max(float(np.sin(a)), 0.0)
            at.append(
                (
                    xx + rng.normal(0, gap * 0.22),
                    w * np.sign(c) * abs(c) ** square,
                    zc + hh * z**square,
                )
            )
            normals.append((0.25 * (1 - station * 2.2) * (station < 0.2), c * 0.75, z + 0.25))
    points = np.array(at)
    radii = gap * 0.5 * rng.uniform(0.8, 1.15) * rng.uniform(0.8, 1.2, len(points))
    long = rng.uniform(0.3, 0.6) if smooth else rng.uniform(0.8, 1.5)
    stretch = long * rng.uniform(0.8, 1.2, len(points))
    tip = 0.45 if "frostbite" in recipe.nuisances else 1.22
    beads(bag, "comb", points, unit(np.array(normals)), radii, stretch, colour, rng, tip)
    return Foot(back - 0.06, width * 0.95)


def pick_rise(rng: np.random.Generator) -> float:
    """Slope of a rose comb's leader: level, along the neck, or rising."""
    choices = (rng.uniform(0.02, 0.25), rng.uniform(-0.75, -0.1), rng.uniform(0.25, 0.55))
    return float(choices[int(rng.choice(3, p=[0.42, 0.28, 0.3]))])


def ridge(
    bag: Bag,
    rng: np.random.Generator,
    colour: Array,
    noise: Noise,
    *,
    front: float,
    back: float,
    offset: float,
    height: float,
    thickness: float,
    wave: float,
    bead: float,
) -> None:
    """One lengthwise row of a pea comb: a low thick wall with a beaded, blunt top edge."""
    n, m = 64, 20
    u = np.linspace(0, 1, n)
    x = front + (back - front) * u
    swing = rng.uniform(7, 13)
    y = offset * (0.72 + 0.38 * np.sin(np.pi * u)) + wave * np.sin(u * swing + rng.uniform(0, 6))
    foot = crown(np.clip(x, -0.4, 0.42), y) - 0.025
    envelope = np.interp(u, [0, 0.1, 0.4, 0.75, 1], [0.3, 0.85, 1.05, 0.8, 0.12])
    edge = np.abs(np.sin(u * rng.uniform(11, 17) + rng.uniform(0, 6))) ** 0.7
    tall = height * envelope * (1 - bead + bead * edge)
    turn = np.linspace(0, 2 * np.pi, m, endpoint=False)
    cos, sin = np.cos(turn), np.sin(turn)
    wide = thickness * np.interp(u, [0, 0.1, 0.8, 1], [0.5, 1, 0.9, 0.35])
    rise = np.where(sin > 0, np.abs(sin) ** 0.8, -0.5 * np.abs(sin))
    body = np.stack(
        [
            x[:, None] + 0 * cos,
            y[:, None] + wide[:, None] * cos * (1 - 0.35 * np.clip(sin, 0, 1)),
            foot[:, None] + tall[:, None] * rise,
        ],
        -1,
    )
    body[..., 1] += np.clip(rise, 0, 1) * tall[:, None] * offset * 1.2
    body = body + 0.008 * noise(body * 4)[..., None]
    shade = (0.86 + 0.3 * np.clip(rise, 0, 1))[None, :, None] * np.ones((n, 1, 1))
    bag.add("comb", body, grid_faces(n, m, True), (colour * shade).reshape(-1, 3))


def single_blade_pea(
    bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise
) -> Foot:
    """One low, thick, wavy ridge with blunt points and no side rows."""
    size = recipe.comb_size
    front, back = rng.uniform(0.42, 0.47), rng.uniform(-0.12, 0.1)
    ridge(
        bag,
        rng,
        colour,
        noise,
        front=front,
        back=back,
        offset=0.0,
        height=rng.uniform(0.10, 0.22) * (0.38 + 0.8 * size),
        thickness=rng.uniform(0.045, 0.075) * (0.65 + 0.45 * size),
        wave=rng.uniform(0.01, 0.035) * (0.5 + 0.6 * size),
        bead=rng.uniform(0.15, 0.4),
    )
    return Foot(back - 0.03, 0.08 * (0.7 + 0.4 * size))


def triple_pea(
    bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise
) -> Foot:
    """Three lengthwise rows, tight together and low, the middle one highest."""
    size = recipe.comb_size
    front, back = rng.uniform(0.42, 0.47), rng.uniform(-0.06, 0.16)
    apart = rng.uniform(0.07, 0.11) * (0.75 + 0.35 * size)
    tall = rng.random() < 0.25
    height = rng.uniform(0.19, 0.27) if tall else rng.uniform(0.08, 0.19)
    height *= 0.35 + 0.85 * size
    sides = rng.uniform(0.4, 0.72)
    for offset, share in ((-apart, sides), (0.0, 1.0), (apart, sides)):
        shorter = 0.0 if offset == 0 else rng.uniform(0.02, 0.08)
        ridge(
            bag,
            rng,
            colour,
            noise,
            front=front - shorter,
            back=back + shorter,
            offset=offset,
            height=height * share * rng.uniform(0.92, 1.08),
            thickness=rng.uniform(0.032, 0.046) * (0.7 + 0.42 * size),
            wave=rng.uniform(0.002, 0.012),
            bead=rng.uniform(0.2, 0.55),
        )
    return Foot(back - 0.03, apart + 0.05)


def walnut(bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise) -> Foot:
    """Return a solid furrowed lump, often wider than long, often with a cross furrow.

    Forms: cushion (flat, wide), lump (round), strawberry (set forward over the beak, pebbled).
    """
    size = recipe.comb_size
    form = str(rng.choice(["cushion", "lump", "strawberry"], p=[0.4, 0.35, 0.25]))
    length = rng.uniform(0.12, 0.19) * (0.6 + 0.45 * size)
    width = length * {"cushion": 1.35, "lump": 1.1, "strawberry": 0.95}[form]
    width *= rng.uniform(0.85, 1.2)
    height = rng.uniform(0.10, 0.17) * (0.5 + 0.55 * size)
    height *= {"cushion": 0.75, "lump": 1.1, "strawberry": 1.05}[form]
    middle = {"cushion": 0.30, "lump": 0.32, "strawberry": 0.40}[form] - length * 0.4
    middle += rng.uniform(-0.03, 0.06)
    centre = np.array([middle, 0, float(crown(middle)) + height * 0.25])
    shape = FINE * np.array([length, width, height])
    if form == "strawberry":
        shape[:, 0] += 0.25 * height * FINE[:, 2]
    coarse = Noise(rng, rng.uniform(18, 36), 8)
    fine = Noise(rng, rng.uniform(30, 50), 8)
    warped = shape + fine(shape)[:, None] * 0.006
    furrows = 1 - np.minimum(1, np.abs(coarse(warped)) * rng.uniform(2.0, 3.2))
    deep = rng.uniform(0.02, 0.08) if rng.random() < 0.2 else rng.uniform(0.08, 0.24)
    depth = -deep * furrows**1.5 + rng.uniform(0.02, 0.05) * fine(shape)
    if form == "strawberry":
        depth += 0.05 * np.abs(Noise(rng, 60, 10)(shape))
    if rng.random() < 0.7:  # the cross furrow
        line = rng.uniform(-0.15, 0.35) * length
        bow = 0.12 * length * np.sin(shape[:, 1] / width * 2.2)
        cut = np.exp(-(((shape[:, 0] - line - bow) / (0.10 * length + 0.008)) ** 2))
        depth -= rng.uniform(0.1, 0.24) * cut * (FINE[:, 2] > -0.2)
    if rng.random() < 0.45:
        split = np.exp(-(((shape[:, 1] - rng.uniform(-0.2, 0.2) * width) / (0.1 * width)) ** 2))
        depth -= 0.14 * split * (shape[:, 0] > 0)
    skin = centre + shape * (1 + depth)[:, None]
    bag.add(
        "comb", skin, FINE_FACES, np.clip(colour[None] * (1.08 + 2.8 * depth[:, None]), 0, 0.95)
    )
    if rng.random() < 0.3:  # two or three small points behind, as in hybrids of rose
        count = int(rng.integers(2, 5))
        ys = rng.uniform(-0.5, 0.5, count) * width
        at = np.stack(
            [np.full(count, middle - length * 0.95), ys, crown(middle - length, ys) + height * 0.2],
            -1,
        )
        back = unit(np.stack([-np.ones(count), 0.5 * ys, 0.6 + 0 * ys], -1))
        beads(bag, "comb", at, back, 0.03 * (0.6 + 0.5 * size), 1.4, colour, rng)
    return Foot(middle - length * 0.9, width * 0.9)
