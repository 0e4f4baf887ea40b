"""Explanations: the evidence lies where the comb is, and the gallery knows its own heads."""

from collections import Counter

import numpy as np
import pytest
from scipy.stats import binom

from classifier.explain import (
    STEP,
    TILE,
    can_explain,
    evidence_map,
    features_of,
    gallery,
    nearest,
    panel,
)
from classifier.photo import open_photo
from classifier.vocabulary import COMBS
from tests.conftest import DEMO

needs_torch = pytest.mark.skipif(not can_explain(), reason="explaining needs PyTorch")


@pytest.fixture(scope="module")
def clear(reader):
    """Demo photos of large, clear heads with their readings."""
    photos = [open_photo(DEMO / f"{n}.jpg") for n in (1, 2, 12, 22)]
    return list(zip(photos, reader.read(photos), strict=True))


@needs_torch
def test_the_evidence_for_the_comb_lies_in_the_upper_half_of_the_head(reader, clear):
    # A comb is on top of the head (common practice, no source): more evidence above than below.
    for photo, reading in clear:
        heat = evidence_map(reader, photo, reading.head.box, reading.best)
        assert heat.shape == (reader.card.size, reader.card.size)
        assert 0 <= heat.min() <= heat.max() <= 1
        middle = reader.card.size // 2
        assert heat[:middle].sum() > heat[middle:].sum()


@pytest.mark.slow
def test_explaining_changes_nothing_in_the_reader(reader, clear):
    photo, reading = clear[0]
    evidence_map(reader, photo, reading.head.box, "rose")
    again = reader.read([photo])[0]
    assert np.allclose(again.comb, reading.comb, atol=1e-6)


def test_the_gallery_is_of_the_shipped_weights_and_holds_every_comb(reader):
    about, features, sheet = gallery()
    assert about["weights"] == reader.card.document["weights"]["sha256"]
    assert set(about["combs"]) == set(COMBS)
    assert len(features) == len(about["combs"])
    assert sheet.width == STEP * TILE
    assert np.linalg.norm(features, axis=1) == pytest.approx(1, abs=2e-3)


def test_a_head_is_most_like_itself(reader, clear):
    photo, reading = clear[1]
    alike = nearest(reader, photo, reading.head.box)
    assert [a.likeness for a in alike] == sorted((a.likeness for a in alike), reverse=True)
    view = alike[0].image.resize((reader.card.size, reader.card.size))
    both = features_of(reader, [view, view])
    assert float(both[0] @ both[1]) == pytest.approx(1, abs=1e-5)


@pytest.mark.slow
def test_the_nearest_heads_show_the_same_comb_more_often_than_by_chance(reader):
    from classifier.render.demo import birds

    hits = Counter()
    for bird in birds():
        path = DEMO / f"{bird.band}.jpg"
        if bird.comb in COMBS and path.exists():
            photo = open_photo(path)
            reading = reader.read([photo])[0]
            if reading.head.source == "found":
                alike = nearest(reader, photo, reading.head.box, 1)[0]
                hits[alike.comb == bird.comb] += 1
    # One class in six by chance.
    assert binom.sf(hits[True] - 1, sum(hits.values()), 1 / 6) < 1e-6


@needs_torch
def test_a_gallery_of_other_weights_is_left_out(reader, clear, monkeypatch):
    about, features, sheet = gallery()
    other = (about | {"weights": "0" * 64}, features, sheet)
    monkeypatch.setattr("classifier.explain.gallery", lambda: other)
    photo, reading = clear[0]
    assert nearest(reader, photo, reading.head.box) == []
    assert panel(reader, photo, reading, 120).size == (240, 142)


@needs_torch
def test_explain_writes_a_picture_and_names_what_it_could_not(combwright, tmp_path):
    run = combwright("explain", DEMO / "2.jpg", DEMO / "50.jpg", "--out", tmp_path)
    assert run.code == 1
    assert "50.jpg: no head found" in run.err
    assert (tmp_path / "2-why.jpg").stat().st_size > 10_000
