"""From a clean render to something a phone might have taken: backdrop, tones, noise, JPEG."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageOps

from classifier.boxes import Box, crosses
from classifier.render.recipe import BURST, Recipe, palette, stream
from classifier.render.shapes import Array

DRAWN = 0.15  # share of drawn backdrops where photographs are there to stand behind
LEVEL = {"sun": 1.05, "shade": 1.0, "lamp": 0.85, "flash": 0.6}


def backdrop(name: str, size: int, rng: np.random.Generator) -> Image.Image:
    """Return a ground, pen or wall by its name in `palette.toml`, mostly out of focus."""
    tables = palette()["backdrops"]

    def shades(which: str) -> Array:
        rows = np.array(tables[which], float) * 255 + rng.normal(0, 9, (3, 3))
        grey = rows.mean(-1, keepdims=True)
        return np.asarray(grey + (rows - grey) * rng.uniform(0.5, 1.1))

    def cloud(cells: int) -> Array:
        seedling = rng.integers(0, 256, (cells, cells), dtype=np.uint8)
        grown = Image.fromarray(seedling).resize((size, size), Image.Resampling.BICUBIC)
        return np.asarray(grown, float) / 255

    colours = shades(name)
    field = np.zeros((size, size))
    for cells, weight in ((3, 1.0), (7, 0.8), (16, 0.6), (40, 0.5), (80, 0.35)):
        field += weight * (cloud(cells) - 0.5) * rng.uniform(0.5, 1.4)
    field = (field - field.min()) / (np.ptp(field) + 1e-6)
    low, middle, high = colours[2], colours[0], colours[1]
    mix = field[..., None]
    ground = np.where(
        mix < 0.5, low + (middle - low) * mix * 2, middle + (high - middle) * (mix * 2 - 1)
    )
    if rng.random() < 0.4:  # a horizon, a fence line or the edge of a wall
        other = shades(str(rng.choice(list(tables)))).mean(0)
        at = np.linspace(0, 1, size)[:, None] - rng.uniform(0.2, 0.8) - 0.15 * (cloud(4) - 0.5)
        edge = 1 / (1 + np.exp(-at * rng.uniform(8, 60)))
        edge = (edge.T if rng.random() < 0.3 else edge)[..., None]
        ground = ground * (1 - edge) + (other + 40 * (mix - 0.5)) * edge
    canvas = Image.fromarray(np.clip(ground, 0, 255).astype(np.uint8))
    pen = ImageDraw.Draw(canvas)

    def ink(spread: float = 0.4) -> tuple[int, ...]:
        shade = colours[rng.integers(3)] * rng.uniform(1 - spread, 1 + spread)
        return tuple(int(v) for v in np.clip(shade, 0, 255))

    if name in ("grass", "straw"):
        for _ in range(int(rng.integers(60, 300))):
            x, y = rng.uniform(0, size, 2)
            angle = rng.normal(1.57, 0.5) if name == "grass" else rng.uniform(0, math.pi)
            reach = rng.uniform(5, 35)
            tip = (x + reach * math.cos(angle), y - reach * math.sin(angle))
            pen.line((x, y, *tip), fill=ink(), width=int(rng.integers(1, 3)))
    elif name == "wire":
        mesh(pen, size, rng, width=1)
    elif name == "wall":
        for x in np.arange(0, size, rng.uniform(14, 50)):
            pen.line(
                (x, 0, x + rng.normal(0, 2), size), fill=ink(0.2), width=int(rng.integers(1, 4))
            )
    blur = rng.uniform(0.3, 1.5) if rng.random() < 0.4 else rng.uniform(1.5, 7)
    return canvas.filter(ImageFilter.GaussianBlur(float(blur)))


def mesh(pen: ImageDraw.ImageDraw, size: int, rng: np.random.Generator, width: int) -> None:
    """Wire netting across the picture."""
    gap, shade = rng.uniform(0.06, 0.2) * size, int(rng.integers(60, 210))
    angle = float(rng.choice([0, 0.785, rng.normal(0, 0.1)]))
    for at in np.arange(-size * 1.5, size * 1.5, gap):
        for turn in (angle, angle + math.pi / 2):
            x, y = size / 2 - at * math.sin(turn), size / 2 + at * math.cos(turn)
            dx, dy = 2 * size * math.cos(turn), 2 * size * math.sin(turn)
            pen.line((x - dx, y - dy, x + dx, y + dy), fill=(shade,) * 3, width=width)


@dataclass(frozen=True)
class Scene:
    """A photograph that may stand behind a rendered head, and the box of the head in it."""

    path: Path
    box: Box | None = None

    def window(self, side: int, rng: np.random.Generator) -> Image.Image | None:
        """Return a square of about `side` pixels that leaves the head out.

        None if no place does.
        """
        with Image.open(self.path) as raw:
            photo = raw.convert("RGB")
        for _ in range(12):
            reach = int(min(side * rng.uniform(0.7, 1.3), *photo.size))
            x = int(rng.integers(photo.width - reach + 1))
            y = int(rng.integers(photo.height - reach + 1))
            if self.box is None or not crosses(self.box, (x, y, x + reach, y + reach)):
                cut = photo.crop((x, y, x + reach, y + reach))
                return ImageOps.mirror(cut) if rng.random() < 0.5 else cut
            side = max(24, int(side * 0.85))
        return None


def toned(scene: Array, cover: Array, rng: np.random.Generator) -> Array:
    """Pixels (h, w, 3) with the exposure, contrast, tint and saturation of web photographs.

    Measured on what `cover` (h, w, 1) shows: the spread between its 4th and 96th percentile.
    """
    scene = scene * np.exp(rng.normal(0, 0.05, 3))
    seen = scene.mean(-1)[cover[..., 0] > 0.5]
    low, high = np.percentile(seen if len(seen) else scene.mean(-1), [4, 96])
    goal_low = 255 * np.clip(rng.normal(0.13, 0.08), 0.01, 0.34)
    goal_high = 255 * np.clip(rng.normal(0.82, 0.13), 0.5, 1.06)
    gain = min((goal_high - goal_low) / max(high - low, 8), 1.9)
    scene = (scene - (low + high) / 2) * gain + (goal_low + goal_high) / 2 + rng.normal(0, 8)
    grey = scene.mean(-1, keepdims=True)
    return np.asarray(grey + (scene - grey) * rng.uniform(0.45, 1.0))


def behind(
    size: int, side: int, scenes: Sequence[Scene], rng: np.random.Generator
) -> Image.Image | None:
    """Part of a photograph for behind the head, as `size` x `size`; None for a drawn backdrop."""
    if not scenes or rng.random() < DRAWN:
        return None
    for _ in range(4):
        window = scenes[int(rng.integers(len(scenes)))].window(side, rng)
        if window is not None:
            ground = window.resize((size, size), Image.Resampling.BICUBIC)
            if rng.random() < 0.35:  # a wide aperture
                ground = ground.filter(ImageFilter.GaussianBlur(float(rng.uniform(0.5, 5))))
            return ground
    return None


def resolution(recipe: Recipe, size: int, head_pixels: float) -> int:
    """Return the pixels that a photo of `size` really resolves.

    Heads of 30 and more, as on the web.
    """
    rng = stream(recipe.seed, recipe.of_shot("resolution"))
    if recipe.sharp or rng.random() >= 0.6:
        return size
    return int(np.clip(size * (32 + 110 * rng.random() ** 0.9) / head_pixels, 40, size))


def develop(
    picture: Image.Image, recipe: Recipe, head_pixels: float, scenes: Sequence[Scene] = ()
) -> Image.Image:
    """Return the finished photo (RGB).

    Backdrop, exposure, saturation, noise, resolution, blur, JPEG.

    `head_pixels` is the longer side of the head box; the loss of resolution leaves heads of 30
    pixels and more, as the real photographs have them. Where photographs are given as `scenes`,
    most heads stand before a piece of one, which keeps its own tones and grain.
    """
    rng = stream(recipe.seed, recipe.of_shot("photo"))
    size = picture.size[0]
    small = resolution(recipe, size, head_pixels)
    ground = behind(size, small, scenes, rng)
    rgba = np.asarray(picture, float)
    cover = rgba[..., 3:] / 255
    if ground is None:
        drawn = np.asarray(backdrop(recipe.backdrop, size, rng), float) * LEVEL[recipe.light]
        if recipe.light == "lamp":
            drawn = drawn * np.array([1.1, 0.95, 0.75])
        scene = toned(rgba[..., :3] * cover + drawn * (1 - cover), np.ones_like(cover), rng)
    else:
        bird = toned(rgba[..., :3], cover, rng)
        scene = bird * cover + np.asarray(ground, float) * (1 - cover)
    coarse = rng.uniform(0, 7)
    grain = rng.normal(0, coarse, scene.shape)
    if recipe.shot >= BURST:  # the same light and lens, but every frame has grain of its own
        grain = stream(recipe.seed, f"grain {recipe.shot}").normal(0, coarse, scene.shape)
    scene = scene + grain
    photo = Image.fromarray(np.clip(scene, 0, 255).astype(np.uint8))
    if "wire" in recipe.nuisances:
        mesh(ImageDraw.Draw(photo), size, rng, width=max(1, size // 110))
    if small < size:
        way = Image.Resampling.LANCZOS if rng.random() < 0.7 else Image.Resampling.BILINEAR
        photo = photo.resize((small, small), way)
        if rng.random() < 0.5:  # web pictures are sharpened when they are made small
            amount = int(rng.integers(30, 160))
            photo = photo.filter(ImageFilter.UnsharpMask(1, amount, 0))
        if rng.random() < 0.7:
            photo = as_jpeg(photo, int(rng.integers(45, 92)))
        photo = photo.resize((size, size), Image.Resampling.BICUBIC)
    if recipe.blur:
        photo = photo.filter(ImageFilter.GaussianBlur(recipe.blur))
    if rng.random() < 0.05 and not recipe.sharp:
        kernel = np.zeros((5, 5))
        kernel[2] = 1
        photo = photo.filter(ImageFilter.Kernel((5, 5), kernel.ravel().tolist(), 5))
    return photo


def as_jpeg(photo: Image.Image, quality: int) -> Image.Image:
    """Return the picture after a pass through JPEG."""
    buffer = io.BytesIO()
    photo.save(buffer, "JPEG", quality=quality)
    return Image.open(buffer).convert("RGB")
