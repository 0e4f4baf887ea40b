"""Scores against scikit-learn and SciPy; changes of a photo that keep its head in its box."""

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.stats import binom
from sklearn.metrics import balanced_accuracy_score, roc_auc_score

from classifier.calibration import bootstrap, calibrated_error_limit
from classifier.messages import Doubt
from classifier.photo import decode
from classifier.reading import HeadBox, Reading, Wattles
from classifier.training.datasets import Sample
from classifier.training.robustness import CHANGES
from classifier.training.scores import (
    by_size,
    comb_scores,
    coverage_curve,
    doubtful_scores,
    end_to_end,
    six_scores,
)
from classifier.vocabulary import COMBS, coarse_of


def reading(comb, pile="settled", doubts=(), size=None):
    best = COMBS[int(np.argmax(comb))]
    return Reading(
        photo="a.jpg",
        head=HeadBox((0, 0, 50, 50), "given", 1.0),
        comb=tuple(comb),
        none_of_these=0.0,
        readable=1.0,
        plausible=(best,),
        crest=0.0,
        beard=0.0,
        wattles=Wattles(size, None),
        complaints=(),
        remarks=(),
        model="test",
        doubts=doubts,
        pile=pile,
    )


@pytest.fixture(scope="module")
def cases():
    """Samples of all sizes with readings that are right two times in three."""
    rng = np.random.default_rng(0)
    samples, readings = [], []
    for i in range(300):
        label = str(rng.choice([*COMBS, "pea"]))
        side = float(rng.uniform(20, 80))
        box = (0, 0, side, side + 5)
        samples.append(Sample(Path("x.jpg"), "photo", label, box, f"g{i // 2}", beard="no"))
        comb = rng.dirichlet(np.ones(6))
        if label in COMBS and rng.random() < 0.6:
            comb[COMBS.index(label)] += 1
        readings.append(reading(comb / comb.sum(), str(rng.choice(["settled", "second_look"]))))
    return samples, readings


@pytest.mark.slow
def test_scores_are_those_of_scikit_learn(cases):
    samples, readings = cases
    scores = comb_scores(samples, readings, 40)
    kept = [i for i, s in enumerate(samples) if s.box[2] >= 40]
    assert scores["cases"] == len(kept)
    truth = [coarse_of(samples[i].label) for i in kept]
    p = np.array([readings[i].comb for i in kept])
    single = [t == "single" for t in truth]
    auc = roc_auc_score(single, p[:, 0] + p[:, 1])
    assert scores["single_against_rest_auc"] == pytest.approx(auc, abs=1e-4)
    four = np.stack([p[:, :2].sum(1), p[:, 2], p[:, 3:5].sum(1), p[:, 5]], 1)
    answer = [("single", "rose", "pea", "walnut")[k] for k in four.argmax(1)]
    expected = balanced_accuracy_score(truth, answer)
    assert scores["coarse_balanced_accuracy"] == pytest.approx(expected, abs=1e-4)
    low, high = scores["coarse_balanced_accuracy_95"]
    assert low < scores["coarse_balanced_accuracy"] < high
    sizes = by_size(samples, readings)
    assert sum(total for row in sizes.values() for _, total in row.values()) == 300


def test_a_bootstrap_over_groups_is_as_wide_as_theory_says():
    # A mean of 400 coin flips: standard error 0.025; in pairs of equal flips root two as wide.
    flips = np.random.default_rng(1).random(400) < 0.5
    alone = bootstrap([str(i) for i in range(400)], lambda at: flips[at].mean())
    assert alone[1] - alone[0] == pytest.approx(2 * 1.96 * 0.025, rel=0.1)
    doubled = np.repeat(flips[:200], 2)
    pairs = bootstrap([str(i // 2) for i in range(400)], lambda at: doubled[at].mean())
    assert pairs[1] - pairs[0] == pytest.approx(2 * 1.96 * 0.025 * 2**0.5, rel=0.1)


def test_even_a_calibrated_reader_shows_some_error():
    # All at 0.8 in one bin: the error is that of a binomial share, its 95th percentile exact.
    gaps = np.abs(np.arange(101) / 100 - 0.8)
    order = np.argsort(gaps, kind="stable")
    reached = np.cumsum(binom.pmf(np.arange(101), 100, 0.8)[order])
    exact = gaps[order][np.searchsorted(reached, 0.95)]
    assert calibrated_error_limit(np.full(100, 0.8)) == pytest.approx(exact, abs=0.011)


def test_the_coverage_curve_ends_at_all_photos_and_the_whole_error():
    rows = coverage_curve(np.array([0.9, 0.8, 0.7, 0.6]), np.array([1, 1, 0, 1]))
    assert rows[0] == {"answered": 0.25, "wrong": 0.0}
    assert rows[-1] == {"answered": 1.0, "wrong": 0.25}


def test_settled_readings_of_photos_that_people_could_not_read_are_counted():
    blurred = [Sample(Path("x"), "photo", label, None, "g") for label in ("unclear", "differ")]
    sure = reading([0.9, 0.02, 0.02, 0.02, 0.02, 0.02])
    held = reading([0.9, 0.02, 0.02, 0.02, 0.02, 0.02], "new_photo")
    assert doubtful_scores(blurred, [sure, held]) == {"cases": 2, "settled": 1, "share": 0.5}


@pytest.mark.slow
def test_found_heads_are_compared_with_given_ones(cases):
    samples, readings = cases
    flat = [reading(np.full(6, 1 / 6)) for _ in readings]
    compared = end_to_end(samples, readings, flat, 40)
    assert compared["single_against_rest_auc"]["found"] == 0.5
    assert compared["single_against_rest_auc"]["given"] > 0.6


def test_folded_singles_count_when_read_so_or_held_back_for_the_crest():
    def sample(label):
        return Sample(Path("x"), "render", label, (0, 0, 60, 60), "g", beard="no", wattles="small")

    folded = [0.1, 0.6, 0.1, 0.1, 0.05, 0.05]
    walnut = [0.1, 0.1, 0.1, 0.1, 0.1, 0.5]
    doubt = (Doubt("crest_may_fold", chance=0.3),)
    rows = [
        (sample("crest_folded_single"), reading(folded)),
        (sample("crest_folded_single"), reading(walnut, "second_look", doubt)),
        (sample("crest_folded_single"), reading(walnut, "second_look")),
        (sample("single_blade_pea"), reading([0.1, 0.1, 0.1, 0.4, 0.2, 0.1], size="small")),
        (sample("triple_pea"), reading([0.1, 0.1, 0.1, 0.2, 0.4, 0.1], size="large")),
    ]
    scores = six_scores([s for s, _ in rows], [r for _, r in rows])
    assert scores["folded_read_so_or_held_back_for_the_crest"] == [2, 3]
    assert scores["blade_against_triple_pea"] == 1.0
    assert scores["wattle_size_right_without_beard"] == [1, 2]


@pytest.mark.parametrize("name", CHANGES)
def test_a_changed_photo_holds_the_same_head_in_its_box(name):
    pixels = np.full((120, 160, 3), 60, np.uint8)
    pixels[30:70, 20:60] = (200, 40, 40)
    image, box, how = CHANGES[name](Image.fromarray(pixels), (20, 30, 60, 70))
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", **({"quality": 95} | how))
    buffer.seek(0)
    photo = decode("x.jpg", Image.open(buffer))
    seen = np.asarray(photo.image, float)
    inside = np.zeros(seen.shape[:2], bool)
    x0, y0, x1, y1 = (round(v * photo.scale) for v in box)
    inside[y0:y1, x0:x1] = True
    assert seen[inside][:, 0].mean() > 1.8 * seen[inside][:, 1].mean()
    assert np.ptp(seen[~inside].mean(0)) < 8  # all the red lies in the box
