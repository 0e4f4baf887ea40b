"""Calibration on data that the network was not trained on: temperatures and prediction sets."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, minimize_scalar
from scipy.special import expit, log_softmax, logsumexp, softmax

from classifier.outputs import SHARE_FLOOR

Array = NDArray[np.float64]
YesNo = NDArray[np.bool_]


def fit_temperature(logits: Array, allowed: Array) -> float:
    """Temperature (n, k logits) that makes set-valued labels likeliest; `allowed` is (n, k) 0/1.

    Guo et al. 2017, On calibration of modern neural networks, section 4.2, from memory.
    """

    def loss(log_t: float) -> float:
        scores = log_softmax(logits / np.exp(log_t), axis=1)
        inside = logsumexp(np.where(allowed > 0, scores, -np.inf), axis=1)
        return float(-inside.mean())

    return float(np.exp(minimize_scalar(loss, bounds=(-1.6, 1.6), method="bounded").x))


def fit_comb(logits: Array, allowed: Array, weights: Array, shift: Array) -> tuple[float, float]:
    """Temperature, and offset of the classes where `shift` (k,) is 1, fitted together.

    As `fit_temperature`, each case (n,) with its weight. The offset mends what a network trained
    on balanced classes, of which the rare ones are mostly rendered, gets wrong on photographs.
    Bias-corrected temperature scaling, Alexandari, Kundaje and Shrikumar 2020 (from memory).
    """

    def loss(at: Array) -> float:
        scores = log_softmax(logits / np.exp(at[0]) + at[1] * shift, axis=1)
        inside = logsumexp(np.where(allowed > 0, scores, -np.inf), axis=1)
        return float(-(weights * inside).sum() / weights.sum())

    found = minimize(loss, np.array([-0.3, 0.5]), method="Nelder-Mead")
    return float(np.exp(found.x[0])), float(found.x[1])


def fit_binary_temperature(logits: Array, truth: Array) -> float:
    """Temperature of a yes-or-no head; logits and truth are (n,). 1 if one answer is missing."""
    if len(np.unique(truth)) < 2:
        return 1.0

    def loss(log_t: float) -> float:
        z = logits / np.exp(log_t)
        return float((np.logaddexp(0, z) - truth * z).mean())

    return float(np.exp(minimize_scalar(loss, bounds=(-1.6, 1.6), method="bounded").x))


def set_threshold(scores: Array, miss: float) -> float:
    """Lowest probability of the true class that keeps all but a share `miss` of cases.

    Split conformal with the finite-sample correction: of n calibration scores (n,) the
    k-th smallest with k = floor(miss (n + 1)); 0 if there are too few cases to say anything.
    Source: Vovk, Gammerman and Shafer 2005, Algorithmic learning in a random world (from memory).
    """
    k = int(np.floor(miss * (len(scores) + 1)))
    return float(np.sort(scores)[k - 1]) if k >= 1 else 0.0


def share_errors(measured: Array, truth: Array) -> Array:
    """How far measured shares of a picture (n,) are off, relative to their size."""
    return np.asarray(np.abs(measured - truth) / (measured + SHARE_FLOOR))


def error_limit(errors: Array, miss: float) -> float | None:
    """Highest error that keeps all but a share `miss` of cases; None if there are too few.

    Split conformal as in `set_threshold`: the k-th smallest, k = ceil((1 - miss) (n + 1)).
    """
    k = int(np.ceil((1 - miss) * (len(errors) + 1)))
    return round(float(np.sort(errors)[k - 1]), 5) if k <= len(errors) else None


def expected_calibration_error(confidence: Array, correct: Array, bins: int = 10) -> float:
    """Mean gap between confidence and accuracy over equal-width bins, weighed by their share.

    Naeini et al. 2015, from memory. Arrays (n,); 0 for n = 0.
    """
    if not len(confidence):
        return 0.0
    place = np.minimum((np.asarray(confidence) * bins).astype(int), bins - 1)
    gap = 0.0
    for b in range(bins):
        here = place == b
        if here.any():
            gap += here.mean() * abs(float(confidence[here].mean() - correct[here].mean()))
    return float(gap)


def reliability(confidence: Array, correct: Array, bins: int = 10) -> list[dict[str, float]]:
    """Rows of a reliability diagram: mean confidence, accuracy and count of each filled bin."""
    place = np.minimum((np.asarray(confidence) * bins).astype(int), bins - 1)
    return [
        {
            "confidence": round(float(confidence[place == b].mean()), 4),
            "accuracy": round(float(correct[place == b].mean()), 4),
            "count": int((place == b).sum()),
        }
        for b in range(bins)
        if (place == b).any()
    ]


def area_under_curve(score: Array, positive: YesNo) -> float:
    """Area under the ROC curve, by the Mann-Whitney statistic; NaN without both kinds."""
    from scipy.stats import mannwhitneyu

    yes, no = score[positive], score[~positive]
    if not len(yes) or not len(no):
        return float("nan")
    return float(mannwhitneyu(yes, no).statistic / (len(yes) * len(no)))


def bootstrap(
    groups: Sequence[str],
    score_of: Callable[[NDArray[np.int64]], float],
    seed: int = 0,
    times: int = 1000,
) -> tuple[float, float]:
    """95 % interval of a score, by resampling whole groups of cases.

    `groups` (n,) names the group of each case; `score_of` takes indices of cases, some repeated.
    Resamples in which the score isn't defined (NaN) are left out.
    """
    rng = np.random.default_rng(seed)
    names, place = np.unique(np.asarray(groups), return_inverse=True)
    members = [np.flatnonzero(place == g) for g in range(len(names))]
    values = []
    for _ in range(times):
        drawn = rng.integers(0, len(names), len(names))
        values.append(score_of(np.concatenate([members[g] for g in drawn])))
    if np.isnan(values).all():
        return float("nan"), float("nan")
    low, high = np.nanpercentile(values, [2.5, 97.5])
    return float(low), float(high)


def calibrated_error_limit(confidence: Array, seed: int = 0, times: int = 2000) -> float:
    """95th percentile of the calibration error that a perfectly calibrated reader would show.

    The same confidences (n,), right or wrong drawn by them: sampling alone makes some error.
    """
    rng = np.random.default_rng(seed)
    drawn = rng.random((times, len(confidence))) < np.asarray(confidence)
    errors = [expected_calibration_error(confidence, row.astype(float)) for row in drawn]
    return float(np.percentile(errors, 95))


def balanced_accuracy(truth: Sequence[str], answer: Sequence[str]) -> float:
    """Mean recall over the classes that occur in `truth`."""
    t, a = np.array(truth), np.array(answer)
    return float(np.mean([(a[t == c] == c).mean() for c in sorted(set(truth))]))


def confusion(truth: Sequence[str], answer: Sequence[str], names: Sequence[str]) -> list[list[int]]:
    """Return Counts: rows are the truth, columns the answer."""
    table = [[0] * len(names) for _ in names]
    for t, a in zip(truth, answer, strict=True):
        table[names.index(t)][names.index(a)] += 1
    return table


def probabilities(logits: Array, temperature: float, offsets: Array | float = 0.0) -> Array:
    """Softmax (n, k) at a temperature, with offsets (k,) added to the logits."""
    return np.asarray(softmax(logits / temperature + offsets, axis=1))


def chance(logits: Array, temperature: float) -> Array:
    """Sigmoid (n,) at a temperature."""
    return np.asarray(expit(logits / temperature))
