"""What is below, behind and in front of the head: neck, body, a second bird, a hand, straw."""

from __future__ import annotations

import numpy as np

from classifier.render.plumage import coat as coat_named
from classifier.render.plumage import feathers, painter
from classifier.render.recipe import Recipe, palette
from classifier.render.shapes import (
    BALL,
    BALL_FACES,
    FINE,
    FINE_FACES,
    Array,
    Bag,
    Noise,
    beads,
    linear,
    tube,
    unit,
)


def neck_path(recipe: Recipe, rng: np.random.Generator) -> tuple[Array, Array]:
    """Centres (40, 3) and radii (40,) from the nape down to the breast; upright to stretched."""
    yaw, reach = rng.normal(0, 0.25), rng.uniform(-0.9, 0.1)
    thick = rng.uniform(0.9, 1.25) if recipe.cock else rng.uniform(0.78, 1.1)
    thick *= 0.75 + 0.25 * min(1.0, recipe.age_weeks / 26)
    if "wet" in recipe.nuisances:
        thick *= 0.8
    knots = np.array(
        [
            [-0.10, 0, 0.0],
            [-0.22 + 0.1 * reach, 0, -0.45],
            [-0.30 + 0.35 * reach, 0, -1.0],
            [-0.4 + 0.8 * reach, 0, -1.7 + 0.2 * min(reach + 0.4, 0)],
            [-0.8 + 1.1 * reach, 0, -2.4],
            [-1.2 + 1.3 * reach, 0, -3.0],
        ]
    )
    widths = np.array([0.30, 0.35 * thick, 0.54 * thick, 0.86 * thick, 1.15 * thick, 1.3])
    at = np.linspace(0, 5, 40)
    path = np.stack([np.interp(at, range(6), knots[:, i]) for i in range(3)], -1)
    kernel = np.array([1, 2, 3, 2, 1.0]) / 9
    padded = np.pad(path, ((2, 2), (0, 0)), "edge")
    path = np.stack([np.convolve(padded[:, i], kernel, "valid") for i in range(3)], -1)
    path[:, 1] += yaw * np.clip(-0.3 - path[:, 2], 0, 9) * 0.35
    return path, np.interp(at, range(6), widths)


def neck(
    bag: Bag, recipe: Recipe, rng: np.random.Generator, hackle: str, bodied: str
) -> tuple[Array, Array]:
    """Neck with hackle feathers; returns its path and radii so that a body can follow."""
    path, radii = neck_path(recipe, rng)
    coat_neck, coat_body = coat_named(hackle, rng), coat_named(bodied, rng)
    skin, faces = tube(path, radii, 28, 0.86)
    bag.add("body", skin, faces, coat_neck.ground)
    count = 4200
    at = 0.15 + 4.5 * rng.beta(1.15, 1.0, count)
    turn = rng.uniform(0, 2 * np.pi, count)
    along = unit(np.gradient(path, axis=0))
    side = unit(np.cross(along, np.array([1.0, 0, 0.001])))
    side = np.where(side[:, 1:2] < 0, -side, side)
    ahead = unit(np.cross(side, along))
    ahead = np.where(ahead[:, :1] < 0, -ahead, ahead)
    station = at / 5 * 39

    def sampled(rows: Array) -> Array:
        return np.stack([np.interp(station, np.arange(40), rows[:, i]) for i in range(3)], -1)

    s, a = sampled(side), sampled(ahead)
    normals = unit(s * np.sin(turn)[:, None] + a * np.cos(turn)[:, None])
    radius = np.interp(station, np.arange(40), radii)[:, None]
    roots = sampled(path) + radius * (0.86 * s * np.sin(turn)[:, None] + a * np.cos(turn)[:, None])
    flow = unit(sampled(along) + normals * 0.12)
    keep = ~((roots[:, 0] > -0.05) & (roots[:, 2] > -0.25))
    wide = rng.uniform(0.02, 0.034) if recipe.cock else rng.uniform(0.03, 0.048)
    long = rng.uniform(0.9, 1.25) if recipe.cock else rng.uniform(0.6, 0.9)
    if recipe.silky:
        wide *= 0.35
    bars = rng.uniform(2.2, 4)
    for part, coat in ((at < 3.1, coat_neck), (at >= 3.1, coat_body)):
        pick = keep & part
        feathers(
            bag,
            "body",
            roots[pick] - normals[pick] * 0.03,
            normals[pick],
            flow[pick],
            length=(0.20 + 0.13 * at[pick]) * long,
            width=wide * (0.6 + 0.3 * at[pick]),
            lift=0.5 if recipe.silky else 0.17,
            paint=painter(coat, rng, bars),
            rng=rng,
            stray=0.7 if recipe.silky else 0.22,
        )
    return path, radii


def body(bag: Bag, centre: Array, rng: np.random.Generator, plumage: str, size: float) -> None:
    """Add a feathered egg-shaped trunk with a tail."""
    coat = coat_named(plumage, rng)
    shape = np.array([1.9, 1.15, 1.25]) * size
    bag.add("body", centre + FINE * shape * 0.96, FINE_FACES, coat.ground)
    directions = unit(rng.normal(size=(1200, 3)))
    normals = unit(directions / shape)
    flow = np.array([-1.0, 0, -0.25]) + 0 * directions
    flow = unit(flow - normals * (flow * normals).sum(-1, keepdims=True))
    paint = painter(coat, rng, rng.uniform(2.2, 4))
    feathers(
        bag,
        "body",
        centre + directions * shape * 0.95,
        normals,
        flow,
        length=0.62 * size,
        width=0.16 * size,
        lift=0.12,
        paint=paint,
        rng=rng,
    )
    count = 60
    roots = centre + np.array([-1.6, 0, 0.5]) * size + rng.normal(0, 0.12, (count, 3)) * size
    up = unit(np.array([-1.0, 0, 1.0]) + rng.normal(0, 0.35, (count, 3)))
    feathers(
        bag,
        "body",
        roots,
        unit(np.array([0.0, 1.0, 0.1]) + rng.normal(0, 0.3, (count, 3))),
        up,
        length=1.4 * size,
        width=0.16 * size,
        lift=0.1,
        paint=paint,
        rng=rng,
        droop=0.25,
    )


def neighbour(bag: Bag, recipe: Recipe, rng: np.random.Generator) -> None:
    """Add a second bird close behind: its trunk and a red, blurred-looking head."""
    other = str(rng.choice(list(palette()["frequencies"]["plumage"])))
    side = rng.choice([-1, 1])
    centre = np.array([rng.uniform(-2.0, 1.2), side * rng.uniform(1.3, 2.2), rng.uniform(-2, -0.9)])
    body(bag, centre, rng, other, rng.uniform(0.5, 0.8))
    red = linear([0.75, 0.14, 0.14])
    head = centre + np.array([1.0, 0, rng.uniform(0.9, 1.3)])
    noise = Noise(rng, 9.0)
    ground = coat_named(other, rng).ground
    bag.add("body", head + BALL * np.array([0.3, 0.24, 0.27]), BALL_FACES, ground)
    patch = head + np.array([0.1, 0, 0.0]) + BALL * np.array([0.23, 0.25, 0.18])
    bag.add("body", patch + 0.02 * noise(patch)[:, None], BALL_FACES, red)
    top = head + np.array([0.05, 0, 0.28]) + BALL * np.array([0.22, 0.04, 0.16])
    bag.add("body", top, BALL_FACES, red)


def hand(bag: Bag, recipe: Recipe, rng: np.random.Generator) -> None:
    """Fingers that hold the neck from one side or steady the beak from below."""
    skin = linear(np.array([0.80, 0.60, 0.50]) * rng.uniform(0.5, 1.1))
    side = rng.choice([-1, 1])
    base = np.array([rng.uniform(-0.55, -0.15), side * 0.45, rng.uniform(-0.9, -0.55)])
    for finger in range(4):
        start = base + np.array([-0.9, side * 0.35, -0.35 - 0.16 * finger])
        end = base + np.array([0.45, side * 0.02, 0.05 - 0.17 * finger])
        bow = np.array([0.0, side * 0.18, 0.0])
        t = np.linspace(0, 1, 14)[:, None]
        path = start + (end - start) * t + bow * np.sin(np.pi * t)
        radii = 0.085 * np.interp(t[:, 0], [0, 0.9, 1], [1.1, 0.95, 0.3])
        mesh, faces = tube(path, radii, 12)
        bag.add("other", mesh, faces, skin * rng.uniform(0.92, 1.05))


def straws(bag: Bag, rng: np.random.Generator) -> None:
    """Add a few stalks before the head."""
    shade = linear(np.array(palette()["backdrops"]["straw"][rng.integers(3)]))
    for _ in range(int(rng.integers(2, 6))):
        side = 0.6 if rng.random() < 0.5 else -0.6
        middle = np.array([rng.uniform(-0.3, 0.7), side, rng.uniform(-0.7, 0.2)])
        slope = unit(np.asarray(rng.normal(size=3), float) * [1, 0.2, 1.4])
        path = middle + slope * np.linspace(-0.8, 0.8, 8)[:, None]
        mesh, faces = tube(np.asarray(path, float), np.full(8, 0.016), 6)
        bag.add("other", mesh, faces, shade)


def spikes_of_down(bag: Bag, rng: np.random.Generator, back: float, colour: Array) -> None:
    """Hair-like feathers just behind a comb, as silky birds have them."""
    count = int(rng.integers(15, 60))
    at = np.stack(
        [
            back - rng.uniform(0, 0.08, count),
            rng.uniform(-0.12, 0.12, count),
            0.33 + rng.uniform(0, 0.1, count),
        ],
        -1,
    )
    up = unit(
        np.stack([-np.ones(count), rng.normal(0, 0.3, count), rng.uniform(0, 0.9, count)], -1)
    )
    beads(bag, "plume", at, up, 0.008, 9.0, colour, rng)
