"""Rendered heads: recipes are reproducible and balanced, geometry and truth are sound."""

from collections import Counter

import numpy as np
import pytest
from PIL import Image

from classifier.render.bird import COMB_MAKERS, build
from classifier.render.recipe import BURST, COMBS, NONE, ODD_COMBS, UNSEEN_CREST, draw, frames
from classifier.render.strain import bird_of


def test_a_seed_gives_the_same_head_every_time():
    assert draw(77) == draw(77)
    one, two = build(draw(77)), build(draw(77))
    for (name, a), (other, b) in zip(one.joined(), two.joined(), strict=True):
        assert name == other
        assert np.array_equal(a.vertices, b.vertices)
        assert np.array_equal(a.colours, b.colours)


@pytest.mark.parametrize("kind", [*COMBS, *ODD_COMBS])
def test_every_comb_is_sound_geometry_on_top_of_the_head(kind):
    odd = kind if kind in ODD_COMBS else ""
    bag = build(draw(4, NONE if odd else kind, odd=odd, comb_size=0.9, crest=0.6, beard=0.8))
    for _, part in bag.joined():
        assert np.isfinite(part.vertices).all()
        assert part.faces.min() >= 0
        assert part.faces.max() < len(part.vertices)
        assert ((part.colours >= 0) & (part.colours <= 1)).all()
    combs = bag.parts.get("comb", [])
    assert bool(combs) == (kind != "combless")
    for part in combs:
        assert part.vertices[:, 2].max() > 0.25


def test_a_single_comb_is_thin_and_tall_and_a_pea_comb_low():
    def extent(kind):
        sizes = []
        for seed in range(8):
            parts = build(draw(seed, kind, comb_size=0.9, crest=0.0)).parts["comb"]
            sizes.append(np.ptp(np.concatenate([p.vertices for p in parts]), axis=0))
        return np.median(sizes, axis=0)

    single, pea, walnut = extent("single"), extent("triple_pea"), extent("walnut")
    assert single[2] > 1.5 * pea[2]
    assert walnut[1] > single[1] * 0.8


def test_frames_of_a_second_are_of_one_bird_and_the_last_is_from_another_side():
    taken = frames(draw(12), 10)
    assert [r.shot for r in taken] == [0, *range(BURST, BURST + 9), 2]
    assert {r.view for r in taken[:-1]} == {draw(12).view}
    assert taken[-1].view != draw(12).view
    assert all(build(r).parts.keys() == build(taken[0]).parts.keys() for r in taken)


@pytest.mark.parametrize("strain", [0, 1])
def test_birds_of_a_strain_share_what_no_training_shows(strain):
    birds = [bird_of(strain, i) for i in range(24)]
    for part in ("crest_form", "plumage", "dark_skin", "light", "age_weeks"):
        assert len({getattr(bird, part) for bird in birds}) == 1, part
    assert birds[0].crest_form == UNSEEN_CREST
    assert {"single", "walnut"} < {bird.comb for bird in birds}
    assert ("triple_pea" in {bird.comb for bird in birds}) == bool(strain)
    assert len({bird.seed for bird in birds}) == 24


@pytest.mark.slow
def test_classes_share_the_same_crests_beards_and_colours():
    # What isn't the comb must not tell the class; folded singles need a crest by nature.
    drawn = [draw(s) for s in range(4000)]
    for comb in (*COMBS, NONE):
        mine = [r for r in drawn if r.comb == comb]
        assert len(mine) >= 400
        if comb != "crest_folded_single":
            assert 0.26 < np.mean([r.crest > 0 for r in mine]) < 0.40
        assert 0.18 < np.mean([r.beard > 0 for r in mine]) < 0.32
        assert 0.11 < Counter(r.plumage for r in mine)["white"] / len(mine) < 0.23


def test_every_kind_of_comb_has_a_maker():
    assert set(COMB_MAKERS) == {*COMBS, *ODD_COMBS}


def test_an_unknown_comb_is_refused():
    with pytest.raises(ValueError, match="unknown comb class 'strawberry'"):
        draw(1, "strawberry")


def test_a_render_has_exact_box_and_masks():
    pytest.importorskip("bpy", reason="needs the extra [render]")
    from classifier.render.heads import head_box, render
    from classifier.render.stage import Stage

    head = render(Stage(), draw(3, "single", far=False, crest=0.0, comb_size=0.9), 96)
    x0, y0, x1, y1 = head.box
    assert head_box(head.masks) == head.box
    assert head.photo.size == (96, 96)
    assert head.comb_pixels > 60
    assert head.masks[y0:y1, x0:x1, 2].sum() == head.masks[..., 2].sum()
    # The comb belongs to the head.
    assert (head.masks[..., 2] >= head.masks[..., 0]).all()


def test_the_frechet_distance_is_that_of_scipys_matrix_root():
    pytest.importorskip("torch", reason="the probe uses its features")
    from scipy.linalg import sqrtm

    from classifier.render.probe import frechet

    rng = np.random.default_rng(0)
    a = rng.normal(size=(300, 5))
    b = rng.normal(size=(250, 5)) @ rng.normal(size=(5, 5)) + 0.3
    first, second = np.cov(a.T), np.cov(b.T)
    gap = a.mean(0) - b.mean(0)
    root = sqrtm(first @ second).real
    exact = gap @ gap + np.trace(first + second - 2 * root)
    assert frechet(a, b) == pytest.approx(exact, rel=1e-8)
    assert frechet(a, a) == pytest.approx(0, abs=1e-8)


def test_a_probe_is_at_chance_for_one_distribution_and_sure_for_two():
    pytest.importorskip("torch", reason="the probe uses its features")
    from classifier.render.probe import probe

    rng = np.random.default_rng(1)
    a, b = rng.normal(size=(200, 8)), rng.normal(size=(200, 8))
    groups = [str(i) for i in range(400)]
    assert 0.38 < probe(a, b, groups) < 0.62
    assert probe(a, b + 4, groups) > 0.99


def test_the_sheet_shows_every_kind_and_no_head_twice(tmp_path):
    import csv

    from PIL import Image

    from classifier.render.sheet import kinds, sheet

    columns = ["file", "comb", "odd", "label", "nuisances", "view", "age_weeks", "crest", "beard"]
    with (tmp_path / "truth-1-0.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*columns, "x0", "y0", "x1", "y1"])
        for i, comb in enumerate(COMBS):
            shade = (20 + 35 * i, 10, 10)
            Image.new("RGB", (60, 60), shade).save(tmp_path / f"{i}.png")
            row = [f"{i}.png", comb, "", comb, "wet;hand", "side", 50, 0.0, 0.0, 10, 10, 50, 50]
            writer.writerow(row)
    made = np.asarray(sheet(tmp_path, 1, 40))
    rows = kinds(1)
    assert made.shape[:2] == (len(rows) * 58, 40)
    # The six combs fill the first six rows; every head is used up then.
    for line in range(6):
        assert abs(int(made[line * 58 + 40, 20, 0]) - (20 + 35 * line)) < 4
    assert made[6 * 58 + 40, 20].tolist() == [251, 248, 242]


def test_photographs_stand_behind_the_head_without_the_head_in_them(tmp_path):
    from classifier.boxes import crosses
    from classifier.render.photo import Scene, develop

    # Green all over but for the labelled head, which is pure red.
    pixels = np.full((200, 300, 3), (20, 160, 40), np.uint8)
    pixels[60:120, 40:110] = (255, 0, 0)
    path = tmp_path / "scene.png"
    Image.fromarray(pixels).save(path)
    scene = Scene(path, (40.0, 60.0, 110.0, 120.0))
    rng = np.random.default_rng(0)
    for _ in range(30):
        window = scene.window(90, rng)
        assert window is None or np.asarray(window)[..., 0].max() == 20
    nothing = Image.new("RGBA", (96, 96), (0, 0, 0, 0))
    shades = []
    for seed in range(12):
        recipe = draw(seed, "rose", blur=0.0, nuisances=())
        photo = np.asarray(develop(nothing, recipe, 60, [scene]), float)
        shades.append(photo.mean((0, 1)))
    greenish = [g > r + 60 and g > b + 60 for r, g, b in shades]
    assert sum(greenish) >= 8  # some backdrops are drawn all the same
    assert crosses((0, 0, 10, 10), (9, 9, 12, 12))
    assert not crosses((0, 0, 10, 10), (10, 0, 12, 12))


def test_a_comb_is_readable_by_the_pixels_that_the_photo_resolves():
    from classifier.render.heads import LEAST_PIXELS, Head

    masks = np.zeros((100, 100, 3))
    masks[10:30, 10:40, 0] = 1
    masks[10:90, 10:90, 2] = 1
    photo = Image.new("RGB", (100, 100))
    box = (10, 10, 90, 90)
    for pixels, readable in ((LEAST_PIXELS, True), (LEAST_PIXELS - 1, False)):
        assert Head(draw(3, "rose"), photo, masks, box, 1.0, pixels).readable is readable
