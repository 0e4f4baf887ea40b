"""The Blender side: scene, materials, camera, light; meshes in, pixels and masks out.

One process has one Blender scene, so `Stage` is made once and used for many heads.
"""

from __future__ import annotations

import math
import os
import shutil
import tempfile
import weakref
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw

from classifier.render.recipe import BURST, Recipe, stream
from classifier.render.shapes import Array, Bag, unit

os.environ.setdefault("OMP_NUM_THREADS", "1")

# Object index by surface, for the masks: everything not named here belongs to the head.
COMB, WATTLE, HEAD, OFF = 1, 2, 3, 4
INDEX = {"comb": COMB, "wattle": WATTLE, "body": OFF, "other": OFF}
SURFACES = {  # roughness, specular, bump
    "comb": (0.45, 0.4, 0.55),
    "wattle": (0.5, 0.35, 0.35),
    "face": (0.55, 0.3, 0.35),
    "plume": (0.65, 0.25, 0.0),
    "body": (0.65, 0.25, 0.0),
    "horn": (0.5, 0.35, 0.0),
    "eye": (0.06, 0.8, 0.0),
    "other": (0.6, 0.3, 0.0),
}


@dataclass(frozen=True)
class Camera:
    """A pinhole: position, axes (right, up, back), focal length over sensor width, shift."""

    origin: Array
    right: Array
    up: Array
    back: Array
    focal: float
    shift: tuple[float, float]

    def project(self, points: Array) -> Array:
        """Image coordinates (n, 2) in 0..1 from the top left of a square picture."""
        ray = points - self.origin
        depth = -(ray @ self.back)
        x = self.focal * (ray @ self.right) / depth - self.shift[0]
        y = self.focal * (ray @ self.up) / depth - self.shift[1]
        return np.stack([0.5 + x, 0.5 - y], -1)


@dataclass(frozen=True)
class Shot:
    """One picture: RGBA, masks (size, size, 3) of comb, wattles and head, comb share in sight."""

    picture: Image.Image
    masks: Array
    comb_visible: float


def aim(recipe: Recipe, bag: Bag, rng: np.random.Generator) -> Camera:
    """Return a camera on the head by the recipe's view.

    `far` leaves room for the bird and its pen.
    """
    side = rng.choice([-1, 1])
    turn = {
        "side": rng.uniform(60, 105),
        "quarter": rng.uniform(28, 60),
        "front": rng.uniform(0, 28),
        "above": rng.uniform(0, 110),
        "behind": rng.uniform(105, 128),
    }[recipe.view]
    rise = rng.uniform(-8, 16) if rng.random() < 0.62 else rng.uniform(10, 36)
    if recipe.view == "above":
        rise = rng.uniform(42, 68)
    tilt = rng.normal(0, 9) if rng.random() < 0.85 else rng.uniform(-45, 45)
    if recipe.shot == 1:  # the same moment: the head has hardly moved
        apart = stream(recipe.seed, "burst").normal(0, (6, 4, 4))
        turn, rise, tilt = turn + apart[0], rise + apart[1], tilt + apart[2]
    elif recipe.shot >= BURST:  # the same second: a bird held in one hand
        apart = stream(recipe.seed, f"frame {recipe.shot}").normal(0, (3, 2, 2))
        turn, rise, tilt = turn + apart[0], rise + apart[1], tilt + apart[2]
    azimuth, elevation = math.radians(side * turn), math.radians(rise)
    back = np.array(
        [
            math.cos(azimuth) * math.cos(elevation),
            math.sin(azimuth) * math.cos(elevation),
            math.sin(elevation),
        ]
    )
    roll = math.radians(tilt)
    x = unit(np.cross(np.array([0, 0, 1.0]), back))
    y = np.cross(back, x)
    right = x * math.cos(roll) + y * math.sin(roll)
    up = y * math.cos(roll) - x * math.sin(roll)

    head = bag.head_points()
    middle = (head.max(0) + head.min(0)) / 2
    fill = rng.uniform(0.15, 0.4) if recipe.far else rng.uniform(0.45, 0.9)
    lens = rng.uniform(35, 100) / 36
    extent = max(np.ptp((head - middle) @ right), np.ptp((head - middle) @ up))
    distance = max(extent * lens / fill, 1.7)
    origin = middle + back * distance
    draft = Camera(origin, right, up, back, 1.0, (0.0, 0.0)).project(head)
    focal = fill / max(np.ptp(draft[:, 0]), np.ptp(draft[:, 1]))
    flat = Camera(origin, right, up, back, focal, (0.0, 0.0)).project(head)
    centre = (flat.max(0) + flat.min(0)) / 2
    room = (1 - fill) / 2 * 0.85
    place = np.array([rng.uniform(-room, room) * 0.7, rng.uniform(-room, room * 0.5) * 0.8])
    shift = (float(centre[0] - 0.5 - place[0]), float(0.5 - centre[1] + place[1]))
    return Camera(origin, right, up, back, float(focal), shift)


def silhouette(camera: Camera, bag: Bag, size: int) -> float:
    """Area in pixels that the comb would cover if nothing stood before it."""
    canvas = Image.new("1", (size, size))
    pen = ImageDraw.Draw(canvas)
    for part in bag.parts.get("comb", []):
        corners = camera.project(part.vertices) * size
        for quad in part.faces:
            pen.polygon([tuple(corners[i]) for i in quad], fill=1)
    return float(np.asarray(canvas).sum())


class Stage:
    """A Blender scene, ready for heads. Raises ImportError without the extra `[render]`."""

    def __init__(self) -> None:
        try:
            import bpy
        except ImportError as error:
            raise ImportError(
                "rendering needs Blender's bpy (Python 3.11): pip install 'combwright[render]'"
            ) from error
        self.bpy: Any = bpy
        bpy.ops.wm.read_factory_settings(use_empty=True)
        self.scene = bpy.context.scene
        self._settings()
        self.camera = self._linked("camera", bpy.data.cameras.new("camera"))
        self.scene.camera = self.camera
        self.sun = self._linked("sun", bpy.data.lights.new("sun", "SUN"))
        world = bpy.data.worlds.new("sky")
        self.scene.world = world
        world.use_nodes = True
        self.sky = next(n for n in world.node_tree.nodes if n.type == "BACKGROUND")
        self.materials = {name: self._material(name, *v) for name, v in SURFACES.items()}
        self.meshes: list[Any] = []
        folder = tempfile.mkdtemp(prefix="heads-")
        weakref.finalize(self, shutil.rmtree, folder, ignore_errors=True)
        self.path = Path(folder) / "head.exr"
        self.scene.render.filepath = str(self.path)

    def _settings(self) -> None:
        scene, cycles = self.scene, self.scene.cycles
        scene.render.engine = "CYCLES"
        cycles.device = "CPU"
        cycles.denoiser = "OPENIMAGEDENOISE"
        cycles.denoising_prefilter = "FAST"
        cycles.denoising_quality = "FAST"
        cycles.denoising_input_passes = "RGB_ALBEDO"
        cycles.use_adaptive_sampling = False
        cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces = 2, 1, 1
        cycles.transmission_bounces = cycles.volume_bounces = 0
        cycles.transparent_max_bounces = 1
        cycles.caustics_reflective = cycles.caustics_refractive = False
        scene.render.threads_mode = "FIXED"
        scene.render.threads = 1
        scene.render.film_transparent = True
        scene.render.image_settings.media_type = "MULTI_LAYER_IMAGE"
        scene.render.image_settings.file_format = "OPEN_EXR_MULTILAYER"
        scene.render.image_settings.use_exr_interleave = True  # one part with all channels
        scene.view_layers[0].use_pass_object_index = True
        scene.render.use_compositing = scene.render.use_sequencer = False
        scene.view_settings.view_transform = "Standard"

    def _linked(self, name: str, data: Any) -> Any:
        thing = self.bpy.data.objects.new(name, data)
        self.scene.collection.objects.link(thing)
        return thing

    def _material(self, name: str, roughness: float, specular: float, bump: float) -> Any:
        material = self.bpy.data.materials.new(name)
        material.use_nodes = True
        tree = material.node_tree
        shader = next(n for n in tree.nodes if n.type == "BSDF_PRINCIPLED")
        shader.inputs["Roughness"].default_value = roughness
        shader.inputs["Specular IOR Level"].default_value = specular
        tint = tree.nodes.new("ShaderNodeAttribute")
        tint.attribute_name = "tint"
        tree.links.new(tint.outputs["Color"], shader.inputs["Base Color"])
        if bump:
            cells = tree.nodes.new("ShaderNodeTexVoronoi")
            cells.name = "cells"
            cells.inputs["Scale"].default_value = 40
            place = tree.nodes.new("ShaderNodeTexCoord")
            tree.links.new(place.outputs["Object"], cells.inputs["Vector"])
            shade = tree.nodes.new("ShaderNodeMapRange")
            for index, value in ((1, 0.0), (2, 0.7), (3, 1.12), (4, 0.78)):
                shade.inputs[index].default_value = value
            tree.links.new(cells.outputs["Distance"], shade.inputs[0])
            scaled = tree.nodes.new("ShaderNodeVectorMath")
            scaled.operation = "SCALE"
            tree.links.new(tint.outputs["Color"], scaled.inputs[0])
            tree.links.new(shade.outputs[0], scaled.inputs["Scale"])
            tree.links.new(scaled.outputs[0], shader.inputs["Base Color"])
            relief = tree.nodes.new("ShaderNodeBump")
            relief.name = "relief"
            relief.invert = True
            relief.inputs["Strength"].default_value = bump
            relief.inputs["Distance"].default_value = 0.02
            tree.links.new(cells.outputs["Distance"], relief.inputs["Height"])
            tree.links.new(relief.outputs["Normal"], shader.inputs["Normal"])
            shader.inputs["Subsurface Weight"].default_value = 0.07
            shader.inputs["Subsurface Radius"].default_value = (1, 0.25, 0.15)
            shader.inputs["Subsurface Scale"].default_value = 0.06
        return material

    def _place(self, bag: Bag) -> None:
        data = self.bpy.data
        for thing in self.meshes:
            mesh = thing.data
            data.objects.remove(thing)
            data.meshes.remove(mesh)
        self.meshes = []
        for surface, part in bag.joined():
            mesh = data.meshes.new(surface)
            mesh.vertices.add(len(part.vertices))
            mesh.vertices.foreach_set("co", part.vertices.astype(np.float32).ravel())
            mesh.loops.add(part.faces.size)
            mesh.loops.foreach_set("vertex_index", part.faces.ravel())
            mesh.polygons.add(len(part.faces))
            starts = np.arange(0, part.faces.size, 4, dtype=np.int32)
            mesh.polygons.foreach_set("loop_start", starts)
            tint = mesh.attributes.new("tint", "FLOAT_COLOR", "POINT")
            rgba = np.concatenate([part.colours, np.ones((len(part.colours), 1))], 1)
            tint.data.foreach_set("color", rgba.astype(np.float32).ravel())
            mesh.update(calc_edges=True)
            mesh.shade_smooth()
            mesh.materials.append(self.materials[surface])
            thing = self._linked(surface, mesh)
            thing.pass_index = INDEX.get(surface, HEAD)
            self.meshes.append(thing)

    def _frame(self, thing: Any, x: Array, y: Array, z: Array, at: Array) -> None:
        from mathutils import Matrix

        rows = [[x[i], y[i], z[i], at[i]] for i in range(3)] + [[0, 0, 0, 1]]
        thing.matrix_world = Matrix(rows)

    def _light(self, kind: str, camera: Camera, rng: np.random.Generator) -> None:
        azimuth = math.atan2(camera.back[1], camera.back[0])
        rise = math.asin(float(np.clip(camera.back[2], -1, 1)))
        sun, sky = self.sun.data, self.sky.inputs
        colour: tuple[float, ...]
        if kind == "sun":
            turn, high = azimuth + rng.uniform(-1.6, 1.6), rng.uniform(0.4, 1.3)
            sun.energy, sun.color, sun.angle = rng.uniform(2.4, 4.3), (1, 0.95, 0.86), 0.02
            colour, level = (0.75, 0.87, 1, 1), rng.uniform(0.45, 0.95)
        elif kind == "shade":
            turn, high = azimuth + rng.uniform(-1.5, 1.5), rng.uniform(0.8, 1.4)
            sun.energy, sun.color, sun.angle = rng.uniform(0.5, 1.4), (1, 1, 1), 1.2
            colour, level = (0.9, 0.95, 1, 1), rng.uniform(0.75, 1.2)
        elif kind == "lamp":
            turn, high = azimuth + rng.uniform(-1.2, 1.2), rng.uniform(0.2, 1.2)
            sun.energy, sun.color, sun.angle = rng.uniform(2.0, 3.8), (1, 0.72, 0.42), 0.3
            colour, level = (1, 0.75, 0.5, 1), rng.uniform(0.3, 0.65)
        else:
            turn, high = azimuth + 0.06, rise + 0.05
            sun.energy, sun.color, sun.angle = rng.uniform(2.2, 3.4), (1, 0.97, 0.93), 0.02
            colour, level = (0.9, 0.85, 0.8, 1), rng.uniform(0.2, 0.5)
        ray = np.array(
            [
                math.cos(turn) * math.cos(high),
                math.sin(turn) * math.cos(high),
                math.sin(high),
            ]
        )
        x = unit(np.cross(np.array([0, 0, 1.0]), ray))
        self._frame(self.sun, x, np.cross(ray, x), ray, np.zeros(3))
        sky[0].default_value, sky[1].default_value = colour, level

    def _render(self) -> tuple[Image.Image, Array]:
        """Return the picture (RGBA, sRGB) and the object index of each pixel."""
        import OpenEXR

        self.bpy.ops.render.render(write_still=True)
        with OpenEXR.File(str(self.path), separate_channels=True) as file:
            layers = file.channels()
            planes = {name.split(".", 1)[1]: layer.pixels for name, layer in layers.items()}
        rgba = np.stack([planes[f"Combined.{c}"] for c in "RGBA"], -1).astype(float)
        alpha = rgba[..., 3:]
        light = np.clip(rgba[..., :3] / np.maximum(alpha, 1e-6), 0, 1)
        low, high = light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055
        tone = np.where(light <= 0.0031308, low, high)  # IEC 61966-2-1
        pixels = np.concatenate([tone, np.clip(alpha, 0, 1)], -1) * 255
        index = next(plane for name, plane in planes.items() if "Index" in name)
        return Image.fromarray(pixels.round().astype(np.uint8), "RGBA"), np.rint(index)

    def shoot(self, recipe: Recipe, bag: Bag, size: int) -> Shot:
        """Render a bird and its masks at `size` x `size` pixels."""
        rng = stream(recipe.seed, recipe.of_shot("camera"))
        self._place(bag)
        view = aim(recipe, bag, rng)
        lens = self.camera.data
        lens.sensor_width, lens.lens = 36, view.focal * 36
        lens.shift_x, lens.shift_y = view.shift
        lens.clip_start, lens.clip_end = 0.05, 200
        self._frame(self.camera, view.right, view.up, view.back, view.origin)
        self._light(recipe.light, view, rng)
        for name in ("comb", "wattle", "face"):
            nodes = self.materials[name].node_tree.nodes
            nodes["cells"].inputs["Scale"].default_value = rng.uniform(32, 90)
            nodes["relief"].inputs["Strength"].default_value = rng.uniform(0.15, 0.7)
        render, cycles = self.scene.render, self.scene.cycles
        render.resolution_x = render.resolution_y = size
        cycles.seed = int(rng.integers(1 << 30))
        cycles.samples, cycles.use_denoising = int(rng.integers(4, 8)), True
        picture, index = self._render()
        masks = np.stack([index == COMB, index == WATTLE, (index > 0) & (index < OFF)], -1)
        whole = silhouette(view, bag, size)
        visible = float(masks[..., 0].sum() / whole) if whole else 0.0
        return Shot(picture, masks.astype(float), min(visible, 1.0))
