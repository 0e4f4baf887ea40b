"""What teaches the reader and what tells on it: photos worth a look, slips, drift."""

import numpy as np
import pytest
from scipy.stats import beta, binom

from classifier.vocabulary import COMBS
from service.flock.drift import LEVEL, drift_of
from service.flock.label_errors import confident_disagreements
from service.views import reader_drift
from service.views.worth_reading import chosen_of


def test_seldom_a_false_warning_however_often_one_looks():
    # 1,000 seasons of 200 birds, each bird a look: Ville's inequality allows 5 in 100.
    rng = np.random.default_rng(11)
    seasons = rng.random((1000, 200)) < 0.03
    false = np.mean([drift_of(season, 0.03).broken for season in seasons])
    assert false <= LEVEL
    # A test for one look at the end, looked at after every bird, warns falsely far more often:
    # exact binomial tails by scipy.
    once = binom.sf(np.cumsum(seasons, axis=1) - 1, np.arange(1, 201), 0.03) <= LEVEL
    assert once.any(axis=1).mean() > 2 * LEVEL


def test_a_fall_of_ten_points_is_found_within_sixty_birds_in_eight_of_ten():
    rng = np.random.default_rng(12)
    seasons = rng.random((1000, 60)) < 0.13
    assert np.mean([drift_of(season, 0.03).broken for season in seasons]) >= 0.8


def test_each_reading_may_have_its_own_promise():
    rng = np.random.default_rng(13)
    shares = rng.uniform(0.01, 0.3, (400, 80))
    wrong = rng.random((400, 80)) < shares
    assert np.mean([drift_of(w, s).broken for w, s in zip(wrong, shares, strict=True)]) <= LEVEL
    assert drift_of([], 0.03).purse == 1.0


def test_the_usual_share_of_unlike_heads_is_the_bound_that_was_measured():
    # 14 of 295; Clopper and Pearson 1934 by scipy's beta distribution.
    assert round(float(beta.ppf(0.975, 15, 281)), 2) == reader_drift.UNLIKE


def test_slips_are_found_where_the_reader_is_confidently_against_them():
    rng = np.random.default_rng(14)
    truth = rng.integers(0, 4, 200)
    chances = rng.dirichlet([1, 1, 1, 1], 200) * 0.3
    chances[np.arange(200), truth] += 0.7
    labels = truth.copy()
    slipped = rng.choice(200, 8, replace=False)
    labels[slipped] = (labels[slipped] + 1) % 4
    found = confident_disagreements(chances, labels.tolist())
    assert len(found) >= 5
    assert set(found) <= set(slipped.tolist())
    said = [chances[i, labels[i]] for i in found]
    assert said == sorted(said)  # the least likely labels come first


def test_slips_agree_with_a_reference_library():
    # cleanlab's find_label_issues by confident learning, in the form that compares the threshold
    # of every class (Northcutt, Jiang and Chuang 2021).
    filters = pytest.importorskip("cleanlab.filter")
    rng = np.random.default_rng(15)
    truth = rng.integers(0, 4, 300)
    chances = rng.dirichlet([1, 1, 1, 1], 300) * 0.5
    chances[np.arange(300), truth] += 0.5
    labels = np.where(rng.random(300) < 0.1, (truth + 1) % 4, truth)
    theirs = filters.find_label_issues(labels, chances, filter_by="confident_learning")
    assert set(confident_disagreements(chances, labels.tolist())) == set(
        np.flatnonzero(theirs).tolist()
    )


def test_without_labels_there_are_no_slips():
    assert confident_disagreements(np.zeros((0, 4)), []) == []
    assert confident_disagreements(np.full((1, 4), 0.25), [2]) == []


def test_photos_worth_a_look_are_doubtful_and_unlike_each_other():
    doubtful = [0.4, 0.1, 0.4, 0.0, 0.05, 0.05]
    table = np.array([doubtful, doubtful, [0.05, 0.0, 0.05, 0.45, 0.05, 0.4], [1, 0, 0, 0, 0, 0]])
    assert table.shape[1] == len(COMBS)
    assert set(chosen_of(table, [1, 2, 3, 4], 2)) == {0, 2}
    # Of one bird a second photo comes after another bird's.
    assert chosen_of(np.array([doubtful] * 3), [7, 7, 8], 2) == [0, 2]
    assert chosen_of(table[3:], [None], 5) == [0]
