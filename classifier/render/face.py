"""The bare parts and small feathers of a head: skin, eyes, beak, ear lobes, wattles."""

from __future__ import annotations

import numpy as np

from classifier.render.blade import Foot
from classifier.render.plumage import Coat, Painter, feathers
from classifier.render.recipe import Recipe, palette
from classifier.render.shapes import (
    BALL,
    BALL_FACES,
    FINE,
    FINE_FACES,
    SKULL,
    Array,
    Bag,
    Noise,
    grid_faces,
    linear,
    on_skull,
    unit,
)

EYE = np.array([0.145, 0.0, 0.055])


def weighted(rows: list[list[float]], rng: np.random.Generator) -> Array:
    """One colour (3,) of rows that end in a weight."""
    table = np.array(rows)
    return np.asarray(table[rng.choice(len(table), p=table[:, 3] / table[:, 3].sum()), :3])


def skin_colours(recipe: Recipe, rng: np.random.Generator) -> tuple[Array, Array]:
    """Comb and face colour in linear light; the young and hens are paler."""
    tables = palette()["skin"]
    shade = weighted(tables["mulberry" if recipe.dark_skin else "shades"], rng)
    comb = linear(shade * rng.uniform(0.92, 1.15) + rng.normal(0, 0.02, 3))
    pale = linear(np.array([0.86, 0.62, 0.56]))
    young = max(0.0, 1 - recipe.comb_size / 0.6)
    if not recipe.dark_skin:
        comb = comb + (pale - comb) * 0.6 * young * rng.uniform(0.2, 1)
    face = comb * rng.uniform(0.75, 1.2) + linear([0.25, 0.2, 0.2]) * rng.uniform(0, 0.5)
    return np.clip(comb, 0, 0.9), np.clip(face, 0, 0.9)


def bare(points: Array, recipe: Recipe, foot: Foot, spread: float, noise: Noise) -> Array:
    """How bare of feathers the skull is at points (n, 3): 1 skin, 0 feathered."""
    measure = ((points[:, 0] - 0.14) / (0.34 * spread)) ** 2
    measure = measure + ((points[:, 2] + 0.03) / (0.25 * spread)) ** 2 + 0.25 * noise(points)
    face = 1 / (1 + np.exp((measure - 1) * 9))
    face = np.maximum(face, 1 / (1 + np.exp((0.33 - points[:, 0]) * 30)))
    if recipe.beard:
        face = face * (points[:, 2] > -0.12)
    under_comb = (points[:, 0] > foot.back) & (np.abs(points[:, 1]) < foot.half_width)
    return np.maximum(face, under_comb & (points[:, 2] > 0))


def skull(
    bag: Bag,
    recipe: Recipe,
    rng: np.random.Generator,
    coat: Coat,
    face: Array,
    foot: Foot,
    paint: Painter,
) -> None:
    """Skin with brow, lores and creases, the feathers round it and bristles upon it."""
    broad, fine = Noise(rng, 7.0), Noise(rng, 9.0)
    creases = Noise(rng, 34.0, 12)
    spread = rng.uniform(0.8, 1.2) if recipe.cock else rng.uniform(0.45, 0.95)
    if rng.random() < (0.6 if recipe.odd == "trimmed" else 0.12):
        spread = rng.uniform(1.15, 1.6)  # bare far back, as game birds are
    spread *= 0.7 + 0.3 * min(1.0, recipe.age_weeks / 24)
    points = on_skull(FINE)
    skin = bare(points, recipe, foot, spread, fine)
    eye_distance = np.hypot(points[:, 0] - EYE[0], points[:, 2] - EYE[2])
    ring = np.exp(-(((eye_distance - 0.13) / 0.035) ** 2))
    brow = np.exp(-(((points[:, 2] - 0.17) / 0.04) ** 2)) * np.exp(
        -(((points[:, 0] - 0.15) / 0.15) ** 2)
    )
    lores = np.exp(-(((points[:, 0] - 0.3) / 0.08) ** 2) - ((points[:, 2] - 0.02) / 0.08) ** 2)
    tone = 1 + 0.30 * broad(points * 2.5) + 0.18 * fine(points * 3) + 0.16 * creases(points)
    tone = tone - 0.35 * ring - 0.22 * lores - 0.3 * np.clip(-points[:, 2] / 0.3, 0, 1)
    tint = (
        coat.ground[None] * (1 - skin[:, None])
        + np.clip(face * tone[:, None], 0.01, 0.9) * (skin[:, None])
    )
    relief = 0.012 * broad(points * 4) + 0.008 * creases(points) + 0.022 * brow - 0.014 * lores
    bag.add("face", points + FINE * (relief * skin)[:, None], FINE_FACES, tint)

    count = 3300
    directions = unit(rng.normal(size=(count, 3)))
    roots = on_skull(directions)
    cover = 1 - bare(roots, recipe, foot, spread, fine)
    keep = (cover > rng.uniform(0.35, 0.8, count)) & (roots[:, 0] < 0.36) & (roots[:, 0] > -0.47)
    roots, normals = roots[keep], unit(directions[keep] / SKULL)
    down = np.where(roots[:, 0] < -0.15, -1.6, -0.35)
    flow = np.stack([-np.ones(len(roots)), 0 * down, down], -1)
    flow = unit(flow - normals * (flow * normals).sum(-1, keepdims=True))
    wet = "wet" in recipe.nuisances
    silky = recipe.silky
    feathers(
        bag,
        "plume",
        roots - normals * 0.01,
        normals,
        flow,
        length=0.13 if silky else 0.11,
        width=0.006 if silky or wet else 0.0145,
        lift=0.5 if silky else 0.05 if wet else 0.17,
        paint=paint,
        rng=rng,
        stray=0.8 if silky else 0.25,
    )
    # Bristles: short, narrow, sparse, on the bare face.
    bristles = (skin > 0.5) & (rng.random(len(points)) < rng.uniform(0.02, 0.14))
    bristles &= (np.abs(points[:, 1]) > 0.1) & (points[:, 0] < 0.38) & (eye_distance > 0.1)
    roots, normals = points[bristles], unit(FINE[bristles] / SKULL)
    flow = unit(np.array([-1.0, 0, -0.4]) + 0 * roots + 0.3 * normals)
    feathers(
        bag,
        "plume",
        roots,
        normals,
        flow,
        length=0.045,
        width=0.005,
        lift=0.2,
        paint=paint,
        rng=rng,
    )


def beak(bag: Bag, rng: np.random.Generator) -> None:
    """Upper and lower mandible with nostril, sometimes open."""
    shades = palette()["beak"]["shades"]
    colour = linear(np.array(shades[rng.integers(len(shades))]) * rng.uniform(0.85, 1.1))
    long, hook = rng.uniform(0.20, 0.29), rng.uniform(0.08, 0.17)
    gap = -rng.uniform(0, 0.12) if rng.random() < 0.12 else 0.01
    n, m = 18, 20
    s = np.linspace(0, 1, n)
    turn = np.linspace(0, 2 * np.pi, m, endpoint=False)
    for upper in (True, False):
        length = long * (1 if upper else 0.82)
        wide = np.interp(s, [0, 0.5, 0.9, 1], [0.118, 0.086, 0.036, 0.006])
        tall = np.interp(s, [0, 0.5, 0.9, 1], [0.128, 0.098, 0.044, 0.006])
        wide, tall = wide * (1 if upper else 0.86), tall * (1 if upper else 0.42)
        x = 0.36 + length * s
        z = -hook * s**2.2 if upper else -0.058 - 0.72 * hook * s**2 + gap * s
        sin = np.sin(turn)
        half = np.where(sin < 0, 0.45 * sin, sin) if upper else np.where(sin > 0, 0.3 * sin, sin)
        surface = np.stack(
            [
                x[:, None] + 0 * turn,
                wide[:, None] * np.cos(turn),
                z[:, None] + tall[:, None] * half,
            ],
            -1,
        )
        tint = np.ones((n, m, 1)) * colour
        if upper:
            tint = tint * np.interp(s, [0, 0.2, 1], [0.7, 1, 1.05])[:, None, None]
            nostril = ((surface[..., 0] - (0.36 + long * 0.22)) / 0.05) ** 2
            nostril = nostril + ((surface[..., 2] - 0.045) / 0.018) ** 2
            tint = np.where((nostril < 1)[..., None], tint * 0.15, tint)
            if rng.random() < 0.3:
                tint = tint * np.where(half > 0.3, 0.45, 1.0)[None, :, None]
        bag.add("horn", surface, grid_faces(n, m, True), tint.reshape(-1, 3))


def eyes(bag: Bag, rng: np.random.Generator, face: Array) -> None:
    """Iris, pupil and lid ring on both sides."""
    iris = linear(weighted(palette()["iris"]["shades"], rng))
    radius = rng.uniform(0.052, 0.064)
    for side in (1, -1):
        axis = unit(np.array([0.18, side, 0.08]))
        a = unit(np.cross(axis, np.array([0, 0, 1.0])))
        b = np.cross(axis, a)
        narrow = 1 - 0.22 * EYE[0] / SKULL[0]
        inside = 1 - (EYE[0] / SKULL[0]) ** 2 - (EYE[2] / (SKULL[2] * narrow)) ** 2
        middle = np.array(
            [EYE[0], side * (SKULL[1] * narrow * np.sqrt(max(0.05, inside)) - 0.03), EYE[2]]
        )
        front = BALL[:, 2]
        ball = middle + radius * (a * BALL[:, :1] + b * BALL[:, 1:2] + axis * front[:, None])
        white = np.where((front > 0.42)[:, None], iris, face * 0.5)
        tint = np.where((front > 0.86)[:, None], linear([0.02, 0.02, 0.02]), white)
        bag.add("eye", ball, BALL_FACES, tint)
        n, m = 26, 8
        u = np.linspace(0, 2 * np.pi, n)[:, None, None]
        v = np.linspace(0, 2 * np.pi, m, endpoint=False)[None, :, None]
        rim = radius + 0.013 * np.cos(v)
        lid = middle + axis * 0.022 + (a * np.cos(u) * 1.12 + b * np.sin(u) * 0.92) * rim
        lid = lid + axis * (0.02 * np.sin(v))
        bag.add("face", lid, grid_faces(n, m, True), np.clip(face * 1.05, 0, 0.9))


def lobes(bag: Bag, recipe: Recipe, rng: np.random.Generator, face: Array) -> None:
    """Ear lobes: red like the face, white (small or very large), or bluish."""
    kinds = (face, linear([0.92, 0.90, 0.86]), linear([0.5, 0.66, 0.78]), linear([0.85, 0.6, 0.55]))
    kind = int(rng.choice(4, p=[0.54, 0.32, 0.05, 0.09]))
    size = rng.uniform(0.05, 0.11) * (0.55 + 0.5 * recipe.comb_size)
    if kind == 1 and rng.random() < 0.25:
        size *= 1.7
    noise = Noise(rng, 7.0)
    stretch = rng.uniform(1, 1.6)
    for side in (1, -1):
        drop = BALL * np.array([size * 0.75, 0.05, size * stretch])
        drop = drop + np.array([-0.12, side * (0.305 - 0.25 * size), -0.12 - size * 0.5])
        drop[:, 1] += 0.012 * noise(drop * 3)
        bag.add("face", drop, BALL_FACES, kinds[kind])


def wattles(bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array) -> None:
    """Two hanging lobes: thick at the root, thinner and wavy below, sometimes pear-shaped."""
    if recipe.wattle < 0.04:
        return
    long = 0.07 + 0.46 * recipe.wattle
    wide = long * rng.uniform(0.34, 0.55) + 0.05
    noise, fine = Noise(rng, 7.0), Noise(rng, 26.0)
    pear = rng.uniform(0.4, 1.0)
    for side in (1, -1):
        depth = (1 - BALL[:, 2]) / 2
        shape = np.stack(
            [
                BALL[:, 0] * wide * 0.75 * (0.45 + 0.75 * depth**pear),
                BALL[:, 1] * 0.032 * (1.35 - 0.5 * depth),
                -depth * long * 1.25,
            ],
            -1,
        )
        shape[:, 1] += side * 0.05 * depth + 0.045 * noise(shape * 1.7) * depth
        shape[:, 1] += side * 0.04 * np.sin(depth * 3)
        shape[:, 0] += 0.05 * noise(shape * 1.1 + 3) * depth - 0.05 * depth
        tone = 1.05 - 0.15 * depth + 0.12 * fine(shape)
        hung = shape + np.array([0.33, side * 0.085, -0.10])
        bag.add("wattle", hung, BALL_FACES, np.clip(colour * tone[:, None], 0, 0.9))
