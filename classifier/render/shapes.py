"""Meshes as plain arrays: quads, surfaces of revolution, noise and a bag that collects parts.

Head coordinates: x forward (beak at positive x), y to the bird's left, z up; one unit is about
the length of a skull with its feathers. All functions are pure and take their random generator.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int32]


def unit(v: Array) -> Array:
    """Vectors (..., 3) scaled to length 1; a zero vector stays zero."""
    return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-9)


def linear(colour: ArrayLike) -> Array:
    """sRGB-like colour in 0..1 to linear light (gamma 2.2)."""
    return np.clip(np.asarray(colour, float), 0, 1) ** 2.2


def grid_faces(rows: int, columns: int, wrap: bool) -> Ints:
    """Quads (n, 4) of a rows x columns grid of vertices, closed across columns if `wrap`."""
    i, j = np.meshgrid(
        np.arange(rows - 1), np.arange(columns if wrap else columns - 1), indexing="ij"
    )
    k = (j + 1) % columns
    quads = np.stack(
        [i * columns + j, (i + 1) * columns + j, (i + 1) * columns + k, i * columns + k], -1
    )
    return quads.reshape(-1, 4).astype(np.int32)


def sphere(rows: int, columns: int) -> tuple[Array, Ints]:
    """Return unit sphere: vertices (rows * columns, 3) and quads."""
    polar = np.linspace(0.001, np.pi - 0.001, rows)[:, None]
    turn = np.linspace(0, 2 * np.pi, columns, endpoint=False)[None]
    points = np.stack(
        [np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), np.cos(polar) + 0 * turn], -1
    )
    return points.reshape(-1, 3), grid_faces(rows, columns, True)


BEAD, BEAD_FACES = sphere(6, 8)
BALL, BALL_FACES = sphere(28, 36)
FINE, FINE_FACES = sphere(60, 80)


class Noise:
    """Smooth random field: a sum of sines with random directions; values about -1..1."""

    def __init__(self, rng: np.random.Generator, frequency: float, terms: int = 10) -> None:
        self.waves = (
            unit(rng.normal(size=(terms, 3))) * frequency * rng.uniform(0.6, 1.5, (terms, 1))
        )
        self.phases = rng.uniform(0, 2 * np.pi, terms)

    def __call__(self, points: Array) -> Array:
        """Field values (...) at points (..., 3)."""
        return np.sin(points @ self.waves.T + self.phases).mean(-1) * 1.8


@dataclass
class Part:
    """One mesh: vertices (n, 3), quads (m, 4), vertex colours (n, 3) in linear light."""

    vertices: Array
    faces: Ints
    colours: Array


@dataclass
class Bag:
    """Parts by the name of their surface: comb, wattle, face, plume, horn, eye, body, other.

    The surfaces `body` and `other` do not belong to the head; all the rest make its box.
    """

    parts: dict[str, list[Part]] = field(default_factory=dict)

    def add(self, surface: str, vertices: Array, faces: Ints, colours: ArrayLike) -> None:
        """Add a mesh; `colours` is one colour (3,) or one for each vertex (n, 3)."""
        points = np.asarray(vertices, float).reshape(-1, 3)
        tint = np.asarray(colours, float)
        tint = np.broadcast_to(tint.reshape(-1, 3) if tint.ndim > 1 else tint, points.shape)
        part = Part(points, np.asarray(faces, np.int32), np.clip(tint, 0, 0.96))
        self.parts.setdefault(surface, []).append(part)

    def joined(self) -> Iterator[tuple[str, Part]]:
        """Each surface with its parts merged into one mesh."""
        for surface, parts in self.parts.items():
            offsets = np.cumsum([0] + [len(p.vertices) for p in parts[:-1]])
            yield (
                surface,
                Part(
                    np.concatenate([p.vertices for p in parts]),
                    np.concatenate(
                        [p.faces + o for p, o in zip(parts, offsets, strict=True)]
                    ).astype(np.int32),
                    np.concatenate([p.colours for p in parts]),
                ),
            )

    def head_points(self) -> Array:
        """Vertices (n, 3) of everything that belongs to the head."""
        return np.concatenate(
            [p.vertices for s, parts in self.parts.items() if s not in OFF_HEAD for p in parts]
        )


OFF_HEAD = ("body", "other")


def tube(path: Array, radii: Array, sides: int, flat: float = 1.0) -> tuple[Array, Ints]:
    """Tube round a path (n, 3) with radii (n,); `flat` scales its width across y."""
    along = unit(np.gradient(path, axis=0))
    side = unit(np.cross(along, np.array([1.0, 0.0, 0.001])))
    side = np.where(side[:, 1:2] < 0, -side, side)
    up = unit(np.cross(side, along))
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = (
        flat * side[:, None] * np.sin(turn)[None, :, None]
        + up[:, None] * np.cos(turn)[None, :, None]
    )
    return (path[:, None] + radii[:, None, None] * ring).reshape(-1, 3), grid_faces(
        len(path), sides, True
    )


def beads(
    bag: Bag,
    surface: str,
    at: Array,
    normals: Array,
    radii: ArrayLike,
    stretch: ArrayLike,
    colour: Array,
    rng: np.random.Generator,
    tip: float = 1.15,
) -> None:
    """Small rounded points, as on a rose comb: n tapered beads at `at` (n, 3) along `normals`."""
    count = len(at)
    radius = np.broadcast_to(np.asarray(radii, float), (count,))
    long = np.broadcast_to(np.asarray(stretch, float), (count,))
    helper = np.where(np.abs(normals[:, :1]) < 0.9, [[1.0, 0, 0]], [[0, 1.0, 0]])
    a = unit(np.cross(normals, helper))
    b = np.cross(normals, a)
    rise = np.clip(BEAD[:, 2], 0, 1)
    taper = 1 - 0.35 * rise
    local = (
        a[:, None] * (BEAD[:, 0] * taper)[None, :, None]
        + b[:, None] * (BEAD[:, 1] * taper)[None, :, None]
        + normals[:, None] * BEAD[:, 2][None, :, None] * long[:, None, None]
    )
    vertices = at[:, None] + radius[:, None, None] * local
    faces = (BEAD_FACES[None] + (np.arange(count) * len(BEAD))[:, None, None]).reshape(-1, 4)
    shade = np.exp(rng.normal(0, 0.07, (count, 1, 1))) * (1 + (tip - 1) * rise)[None, :, None]
    bag.add(surface, vertices, faces, (colour * shade).reshape(-1, 3))


# The skull with its skin: an ellipsoid that narrows towards the beak.
SKULL = np.array([0.48, 0.33, 0.36])


def on_skull(directions: Array) -> Array:
    """Points (..., 3) of the skull's surface along unit directions (..., 3)."""
    narrow = 1 - 0.22 * directions[..., 0:1]
    return np.concatenate(
        [
            SKULL[0] * directions[..., 0:1],
            SKULL[1] * directions[..., 1:2] * narrow,
            SKULL[2] * directions[..., 2:3] * narrow,
        ],
        -1,
    )


def crown(x: ArrayLike, y: ArrayLike = 0.0) -> Array:
    """Height of the skull's top at x, y (broadcast)."""
    along = np.clip(np.asarray(x, float) / SKULL[0], -0.995, 0.995)
    narrow = 1 - 0.22 * along
    inside = 1 - along**2 - (np.asarray(y, float) / (SKULL[1] * narrow)) ** 2
    return SKULL[2] * narrow * np.sqrt(np.maximum(inside, 0.004))
