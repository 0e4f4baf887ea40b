"""Scores and calibration against scikit-learn and against known answers."""

import numpy as np
import pytest
from sklearn.metrics import balanced_accuracy_score, confusion_matrix, roc_auc_score

from classifier.calibration import (
    area_under_curve,
    balanced_accuracy,
    confusion,
    error_limit,
    expected_calibration_error,
    fit_binary_temperature,
    fit_comb,
    fit_temperature,
    probabilities,
    set_threshold,
    share_errors,
)


@pytest.mark.parametrize("seed", range(5))
def test_scores_equal_those_of_scikit_learn(seed):
    rng = np.random.default_rng(seed)
    truth, answer = (rng.choice(["a", "b", "c"], 80).tolist() for _ in range(2))
    score, positive = rng.integers(0, 9, 80).astype(float), rng.random(80) < 0.4
    assert area_under_curve(score, positive) == pytest.approx(roc_auc_score(positive, score))
    assert balanced_accuracy(truth, answer) == pytest.approx(balanced_accuracy_score(truth, answer))
    assert confusion(truth, answer, "abc") == confusion_matrix(truth, answer).tolist()


def test_a_temperature_that_was_put_in_is_found_again():
    rng = np.random.default_rng(1)
    logits = rng.normal(size=(20_000, 6)) * 2
    p = np.exp(logits) / np.exp(logits).sum(1, keepdims=True)
    drawn = (p.cumsum(1) > rng.random((len(p), 1))).argmax(1)
    allowed = np.eye(6)[drawn]
    assert fit_temperature(logits * 1.7, allowed) == pytest.approx(1.7, rel=0.05)
    z = rng.normal(size=20_000) * 2
    truth = (rng.random(20_000) < 1 / (1 + np.exp(-z))).astype(float)
    assert fit_binary_temperature(z * 0.6, truth) == pytest.approx(0.6, rel=0.08)


@pytest.mark.slow
def test_an_offset_that_was_put_in_is_found_again_with_the_temperature():
    rng = np.random.default_rng(2)
    shift = np.array([0, 0, 1, 1, 1, 1.0])
    logits = rng.normal(size=(20_000, 6)) * 2
    p = probabilities(logits, 0.6, 1.4 * shift)
    drawn = (p.cumsum(1) > rng.random((len(p), 1))).argmax(1)
    temperature, offset = fit_comb(logits, np.eye(6)[drawn], np.ones(len(p)), shift)
    assert temperature == pytest.approx(0.6, rel=0.05)
    assert offset == pytest.approx(1.4, abs=0.1)
    # A class that counts three times is as if it had been seen three times.
    twice = np.concatenate([np.arange(len(p)), *[np.flatnonzero(drawn >= 2)] * 2])
    weighted = fit_comb(logits, np.eye(6)[drawn], np.where(drawn >= 2, 3.0, 1.0), shift)
    repeated = fit_comb(logits[twice], np.eye(6)[drawn[twice]], np.ones(len(twice)), shift)
    assert weighted == pytest.approx(repeated, abs=1e-3)


def test_set_threshold_keeps_the_promised_share():
    rng = np.random.default_rng(2)
    missed = [(rng.random(500) < set_threshold(rng.random(60), 0.1)).mean() for _ in range(400)]
    assert 0.06 < np.mean(missed) <= 0.105
    assert set_threshold(np.array([0.5, 0.6]), 0.1) == 0


def test_calibration_error_of_an_honest_and_of_a_boastful_reader():
    confidence = np.full(1000, 0.75)
    honest = np.arange(1000) % 4 != 0
    assert expected_calibration_error(confidence, honest) == pytest.approx(0)
    assert expected_calibration_error(np.full(1000, 0.95), honest) == pytest.approx(0.2)


def test_the_interval_of_a_share_holds_new_ones_as_often_as_promised():
    """Split conformal holds 1 - miss of new cases of the same kind (Vovk et al. 2005)."""
    rng = np.random.default_rng(4)
    held = []
    for _ in range(300):
        truth = rng.uniform(0, 0.2, 120)
        measured = np.clip(truth * rng.lognormal(0, 0.2, 120), 0, None)
        errors = share_errors(measured, truth)
        limit = error_limit(errors[:60], 0.1)
        held.append((errors[60:] <= limit).mean())
    # k / (n + 1) = 55 / 61 of new cases on average.
    assert np.mean(held) == pytest.approx(55 / 61, abs=0.01)


def test_too_few_cases_give_no_limit():
    assert error_limit(np.array([0.1] * 8), 0.1) is None
    assert error_limit(np.arange(9.0), 0.1) == 8.0
