"""How found boxes lie beside the true ones, and that crops are looked at so askew."""

import csv
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from classifier.boxes import square_crop
from classifier.reading import HeadBox, Reading, Wattles
from classifier.training import augment
from classifier.training.datasets import HEAD_CONTEXT, HEAD_SIZE, Sample
from classifier.training.finder import found_boxes, grown, write_errors
from classifier.training.pairs import pair_scores
from classifier.training.predictions import VIEW_CONTEXT, views
from classifier.training.reader import load_errors
from classifier.vocabulary import COMBS


def table(path, columns, rows):
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows(rows)


def test_errors_are_those_of_held_out_photographs_with_boxes_of_peoples_own(tmp_path):
    found = ["file", "source", "own_box", "score", "x0", "y0", "x1", "y1", "iou"]
    rows = [
        ["a", "photo", "yes", 0.9, 10, 20, 50, 60, 0.82],
        ["b", "photo", "no", 0.9, 10, 20, 50, 60, 0.82],  # a finder's box, accepted
        ["c", "photo", "yes", 0.1, 10, 20, 50, 60, 0.82],  # no head claimed
        ["d", "render", "yes", 0.9, 10, 20, 50, 60, 0.82],
        ["e", "photo", "yes", 0.9, 200, 200, 240, 240, 0.0],  # another head
    ]
    table(tmp_path / "0" / "held_out.csv", found, rows)
    scenes = [[name, "yes" if name != "b" else "no", 14, 20, 54, 60] for name in "abcde"]
    table(tmp_path / "scenes.csv", ["file", "own_box", "x0", "y0", "x1", "y1"], scenes)
    assert set(found_boxes([tmp_path / "0"], 0.5)) == {"a", "b"}
    assert found_boxes([tmp_path / "0"], 0.9) == {}
    path = tmp_path / "errors.csv"
    assert write_errors(tmp_path, [tmp_path / "0"], path) == 1
    x, y, scale = load_errors(str(path), torch.device("cpu"))[0].tolist()
    assert (x, y) == (pytest.approx(-0.1), 0)
    x0, _, x1, _ = grown((10, 20, 50, 60))
    assert scale == pytest.approx((x1 - x0) / 40, abs=1e-4)


def test_an_askew_turn_shows_what_the_found_box_would(monkeypatch):
    """The other changes taken away, a crop seen askew is the view that the found box cuts out."""
    rng = np.random.default_rng(0)
    rough = rng.integers(0, 255, (30, 30, 3), dtype=np.uint8)
    picture = Image.fromarray(rough).resize((600, 600), Image.Resampling.BICUBIC)
    truth, askew = (200.0, 220.0, 328.0, 330.0), (0.12, -0.07, 1.2)
    side = truth[2] - truth[0]
    x, y = (truth[0] + truth[2]) / 2 + askew[0] * side, (truth[1] + truth[3]) / 2 + askew[1] * side
    half = side * askew[2] / 2
    crop = np.asarray(square_crop(picture, truth, HEAD_CONTEXT, HEAD_SIZE))
    images = torch.from_numpy(crop.copy()).permute(2, 0, 1)[None].float() / 255
    monkeypatch.setattr(augment, "rand", lambda n, low, high, device: torch.zeros(n))
    monkeypatch.setattr(torch, "rand", lambda *size, device=None: torch.full(size, 0.5))
    monkeypatch.setattr(torch, "randn", lambda *size, device=None: torch.zeros(size))
    turns = augment.turns(torch.tensor([askew]), HEAD_CONTEXT, VIEW_CONTEXT, torch.device("cpu"))
    seen = augment.sample(images, turns, 160)[0].permute(1, 2, 0).numpy()
    box = (x - half, y - half, x + half, y + half)
    wanted = np.asarray(square_crop(picture, box, VIEW_CONTEXT, 160), float) / 255
    assert np.abs(seen - wanted).mean() < 0.03


def test_a_plain_view_is_the_one_in_use():
    rng = np.random.default_rng(0)
    rough = rng.integers(0, 255, (30, 30, 3), dtype=np.uint8)
    picture = Image.fromarray(rough).resize((600, 600), Image.Resampling.BICUBIC)
    box = (200.0, 220.0, 328.0, 330.0)
    crop = np.asarray(square_crop(picture, box, HEAD_CONTEXT, HEAD_SIZE))
    packed = torch.from_numpy(crop.copy()).permute(2, 0, 1)[None]
    seen = views(packed, 160)[0].permute(1, 2, 0).numpy()
    wanted = np.asarray(square_crop(picture, box, VIEW_CONTEXT, 160), float) / 255
    assert np.abs(seen - wanted).mean() < 0.03


def test_several_photos_of_a_bird_are_as_alike_as_numpy_says():
    rng = np.random.default_rng(1)
    samples, readings, values = [], [], []
    for bird in range(80):
        own = rng.normal()
        chances = [float(1 / (1 + np.exp(-1 - own - rng.normal()))) for _ in range(3)]
        values.append([np.log(c) for c in chances])
        for shot, chance in enumerate(chances):
            name = f"single-{bird:06d}" + (f"-{shot}" if shot else "")
            samples.append(Sample(Path(f"{name}.jpg"), "render", "single", None, f"g{bird}"))
            comb = (chance, *[(1 - chance) / 5] * 5)
            readings.append(
                Reading(
                    name, HeadBox((0, 0, 9, 9), "given", 1), comb, 0, 1, (), 0, 0,
                    Wattles(None, None), (), (), "test",
                )
            )  # fmt: skip
    found = pair_scores(samples, readings)
    # Folded counts as single: its share is added.
    said = np.log([[np.exp(v) + (1 - np.exp(v)) / 5 for v in row] for row in values])
    for kind, shot in (("same moment", 1), ("another view", 2)):
        expected = np.corrcoef(said[:, 0], said[:, shot])[0, 1]
        assert found[kind]["correlation"] == pytest.approx(expected, abs=1e-3)
        low, high = found[kind]["correlation_95"]
        assert low < expected < high
        assert found[kind]["pairs"] == 80
    assert len(COMBS) == 6


def test_masks_are_turned_with_their_pictures():
    picture = torch.zeros(1, 3, 52, 52)
    picture[:, :, 10:20, 30:45] = 1
    codes = torch.zeros(1, 52, 52, dtype=torch.uint8)
    codes[:, 10:20, 30:45] = 1
    torch.manual_seed(0)
    for _ in range(5):
        matrices = augment.turns(torch.tensor([[0.1, -0.05, 1.2]]), 1.6, 1.25, torch.device("cpu"))
        seen = augment.sample(picture, matrices, 52)[0, 0] > 0.5
        drawn = augment.masks(codes, matrices, 52)[0, 0] > 0.5
        # Outside the picture is grey (0.45) in the one and nothing in the other.
        assert (seen == drawn).float().mean() > 0.99
    assert augment.masks(codes, matrices, 52)[0, 1].sum() == 0
