"""A small smoke test of training from folders to shipped weights."""

import csv
import shutil
from functools import partial

import numpy as np
import pytest
from PIL import Image

from classifier.training.crop_pack import load_heads
from classifier.training.datasets import DataError, pack, part_of, photographs, renders
from classifier.vocabulary import COMBS

PHOTO_COLUMNS = [
    "file",
    "split",
    "status",
    "comb",
    "x0",
    "y0",
    "x1",
    "y1",
    "crest",
    "beard",
    "wattles",
    "age",
    "group",
    "box_from",
    "licence",
]
BOX = (30, 20, 90, 80)
TRUTH_COLUMNS = [
    *("file", "seed", "label", "crest", "beard", "wattles", "age_weeks", "view"),
    *("x0", "y0", "x1", "y1"),
]


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Folders of photographs and renders in the form that training takes: coloured noise."""
    base = tmp_path_factory.mktemp("data")
    rng = np.random.default_rng(0)
    photos, rendered = base / "photos", base / "renders"
    (photos / "train").mkdir(parents=True)
    (rendered / "masks").mkdir(parents=True)

    def noise(path):
        Image.fromarray(rng.integers(0, 255, (90, 120, 3), dtype=np.uint8)).save(path)

    with (photos / "labels.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(PHOTO_COLUMNS)
        for i in range(12):
            noise(photos / "train" / f"{i}.jpg")
            comb = ("single", "rose", "pea")[i % 3]
            writer.writerow(
                [
                    f"train/{i}.jpg",
                    "train",
                    "agreed",
                    comb,
                    20,
                    20,
                    80,
                    80,
                    "no",
                    "",
                    "small",
                    ("adult", "juvenile")[i % 2],
                    i,
                    "",
                    "x",
                ]
            )
    with (rendered / "truth-0.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(TRUTH_COLUMNS)
        for seed in range(96):
            noise(rendered / f"{seed}.jpg")
            crest = 0.5 if seed % 2 else 0.0
            comb, age = COMBS[seed % 6], 10 + seed
            view = ("side", "front")[seed // 2 % 2]
            writer.writerow([f"{seed}.jpg", seed, comb, crest, 0.0, "none", age, view, *BOX])
            mask = np.zeros((90, 120, 3), np.uint8)
            mask[25:40, 40:80, 0] = 255
            Image.fromarray(mask).save(rendered / "masks" / f"{seed}.png")
    return photos, rendered


def test_two_rounds_of_eight_renders_in_ten_are_kept_from_training(folders):
    parts = {int(s.group.split("-")[1]): part_of(s) for s in renders(folders[1])}
    assert [seed for seed, part in parts.items() if part == "test"] == list(range(72, 80))
    assert [seed for seed, part in parts.items() if part == "choice"] == list(range(64, 72))


@pytest.mark.slow
def test_a_pack_holds_masks_and_ages_where_they_are_known(folders, tmp_path):
    pack(photographs(folders[0], "train") + renders(folders[1]), tmp_path)
    heads = load_heads(tmp_path)
    known = heads.masks[:, 0, 0] != 255
    assert (known == heads.rendered).all()
    # The comb's mask, 40 x 15 of a square of 120 px (the box of 60 px, twice).
    share = (heads.masks[known] == 1).float().mean((1, 2))
    assert share.numpy() == pytest.approx(40 * 15 / 120**2, rel=0.15)
    ages = [float(a) for a, r in zip(heads.young, heads.rendered, strict=True) if r]
    # Younger than 20 weeks, grown from 26 on, neither in between.
    assert ages[:10] == [1.0] * 10
    assert all(np.isnan(ages[10:16]))
    assert ages[16:] == [0.0] * 72  # eight are of the test, which no pack holds


def test_a_photo_without_a_stated_licence_is_never_trained_on(folders, tmp_path):
    text = (folders[0] / "labels.csv").read_text().replace(",x\n", ",not stated\n", 1)
    (tmp_path / "labels.csv").write_text(text)
    with pytest.raises(DataError, match="must not be trained on"):
        photographs(tmp_path, "train")


@pytest.fixture(scope="module")
def few_renders(folders, tmp_path_factory):
    """Eight of them to train on, eight to choose by, eight to test on."""
    place = tmp_path_factory.mktemp("few") / "renders"
    shutil.copytree(folders[1], place)
    lines = (place / "truth-0.csv").read_text().splitlines(keepends=True)
    (place / "truth-0.csv").write_text("".join([lines[0], *lines[57:81]]))
    return place


@pytest.mark.slow
def test_training_ends_in_weights_that_the_reader_loads(
    folders, few_renders, tmp_path, monkeypatch
):
    from classifier.photo import open_photo
    from classifier.reader import Reader
    from classifier.training import pipeline, runs

    monkeypatch.setattr(pipeline, "pack_backbone", lambda folder: (folder / "backbone.st").touch())
    monkeypatch.setattr(runs, "backbone_of", lambda folder: None)
    out = tmp_path / "run"
    train = partial(pipeline.train_all, steps=2, folds=2, batch=4, seed=0, teachers=1)
    train(folders[0], few_renders, out)
    reader = Reader(out / "weights")
    assert reader.card.document["training"]["photographs_held_out_in_folds"] > 0
    settings = reader.card.document["training"]["settings"]
    assert settings["teachers"] == 1  # how many; no path of this machine
    assert str(tmp_path) not in (out / "weights" / "card.json").read_text()
    reading = reader.read([open_photo(folders[0] / "train" / "0.jpg")], [(20, 20, 80, 80)])[0]
    assert sum(reading.comb) == pytest.approx(1)
    # A second call finds everything done and only assembles again.
    before = (out / "reader" / "log.csv").read_text()
    train(folders[0], few_renders, out)
    assert (out / "reader" / "log.csv").read_text() == before
