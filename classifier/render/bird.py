"""A whole bird's meshes from a recipe."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from classifier.render import blade, lumps, trunk
from classifier.render.blade import Foot
from classifier.render.face import beak, eyes, lobes, skin_colours, skull, wattles
from classifier.render.plumage import beard, coat, crest, painter
from classifier.render.recipe import Recipe, stream
from classifier.render.shapes import Array, Bag, Noise

Maker = Callable[[Bag, Recipe, np.random.Generator, Array, Noise], Foot]


def combless(
    bag: Bag, recipe: Recipe, rng: np.random.Generator, colour: Array, noise: Noise
) -> Foot:
    """No comb at all; the feathers reach the beak."""
    return Foot(0.34, 0.06)


COMB_MAKERS: dict[str, Maker] = {
    "single": blade.single,
    "crest_folded_single": blade.folded,
    "rose": lumps.rose,
    "single_blade_pea": lumps.single_blade_pea,
    "triple_pea": lumps.triple_pea,
    "walnut": lumps.walnut,
    "v": blade.horns,
    "cup": blade.cup,
    "carnation": blade.carnation,
    "combless": combless,
    "trimmed": blade.trimmed,
}


def build(recipe: Recipe) -> Bag:
    """All meshes of the recipe's bird, the hand, neighbour or straw included."""
    bag = Bag()
    seed = recipe.seed
    comb_colour, face_colour = skin_colours(recipe, stream(seed, "skin"))
    rng = stream(seed, "comb")
    foot = COMB_MAKERS[recipe.odd or recipe.comb](bag, recipe, rng, comb_colour, Noise(rng, 7.0))

    rng = stream(seed, "plumage")
    head_coat = coat(recipe.plumage, rng)
    names = ("white", "black", "red", "buff", "striped")
    neck_plumage = recipe.plumage if rng.random() < 0.7 else str(rng.choice(names))
    paint = painter(head_coat, rng, 2.0)
    skull(bag, recipe, stream(seed, "face"), head_coat, face_colour, foot, paint)
    beak(bag, stream(seed, "beak"))
    eyes(bag, stream(seed, "eyes"), face_colour)
    lobes(bag, recipe, stream(seed, "lobes"), face_colour)
    wattles(bag, recipe, stream(seed, "wattles"), comb_colour)
    if recipe.crest:
        rng = stream(seed, "crest")
        tuft_coat = head_coat if rng.random() < 0.8 else coat(str(rng.choice(names)), rng)
        crest(bag, recipe, rng, tuft_coat, painter(tuft_coat, rng, 2.0), foot.back)
    if recipe.silky:
        trunk.spikes_of_down(bag, stream(seed, "down"), foot.back, head_coat.main)
    if recipe.beard:
        beard(bag, recipe, stream(seed, "beard"), head_coat, paint)

    path, _ = trunk.neck(bag, recipe, stream(seed, "neck"), neck_plumage, recipe.plumage)
    rng = stream(seed, "trunk")
    trunk.body(bag, path[-1] + np.array([-1.2, 0, -0.3]), rng, recipe.plumage, 1.25)
    if "neighbour" in recipe.nuisances:
        trunk.neighbour(bag, recipe, stream(seed, "neighbour"))
    if "hand" in recipe.nuisances:
        trunk.hand(bag, recipe, stream(seed, "hand"))
    if "straw" in recipe.nuisances:
        trunk.straws(bag, stream(seed, "straw"))
    return bag
