"""What makes a reading wrong, learnt from readings of heads that the reader was not trained on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit

from classifier.calibration import chance, probabilities
from classifier.quality import Quality, rules
from classifier.sureness import FEATURES, described
from classifier.training.prediction_tables import logits_of
from classifier.vocabulary import ALLOWED, COMBS, NONE, coarse_of

Array = NDArray[np.float64]
Row = dict[str, str]
WRONG_AT_MOST = 0.02  # of what is settled out of fold; the contract allows 0.03
DOUBTFUL_AT_MOST = (
    0.07  # of the heads that people can't read or differ on; the contract allows 0.08
)
DOUBTFUL = ("unclear", "differ")
# How much a head counts that people can't agree on, or a rendered one, beside a photograph.
DOUBTFUL_WEIGHT, RENDER_WEIGHT = 0.5, 0.15
STRENGTH = 0.3  # inverse of the penalty on the weights
FOLDS = 5


def features_of(rows: Sequence[Row], combs: Array, temperatures: dict[str, float]) -> Array:
    """Numbers (n, k) of readings from rows of predictions, in the order of FEATURES."""
    heads = {
        name: chance(logits_of(rows, name)[:, 0], temperatures[name])
        for name in ("none", "readable", "crest", "young", "frontal")
    }
    return np.array(
        [
            described(
                combs[i],
                {name: float(values[i]) for name, values in heads.items()},
                Quality(float(row["pixels"]), float(row["sharpness"]), 0.0, float(row["bright"])),
                float(row["unlike0"]),
            )
            for i, row in enumerate(rows)
        ]
    )


def is_wrong(row: Row, comb: Array) -> bool:
    """Whether settling a row's reading (chances of the six combs) would be a mistake.

    So it is for a comb of none of the six and for heads that people can't read.
    """
    best = COMBS[int(comb.argmax())]
    return row["label"] not in ALLOWED or coarse_of(best) != coarse_of(row["label"])


def weight_of(row: Row, rare: Callable[[Row], float]) -> float:
    """How much a row counts."""
    if row["source"] == "render":
        return RENDER_WEIGHT
    return DOUBTFUL_WEIGHT if row["label"] in DOUBTFUL else rare(row)


def fit_mistakes(
    rows: Sequence[Row],
    temperatures: dict[str, float],
    offsets: Array,
    rare: Callable[[Row], float],
) -> dict[str, Any]:
    """Return the card's model of mistakes (see `classifier.sureness`) from predictions.

    `rows` are of heads that the reader was not trained on. The limit is that of the largest share
    settled with few enough mistakes, each row judged by a model that didn't see its group.
    """
    from sklearn.model_selection import GroupKFold

    least = rules()["quality"]["least_pixels"]
    used = [r for r in rows if r["label"] != "not_a_head" and float(r["pixels"]) >= least]
    combs = probabilities(logits_of(used, "comb"), temperatures["comb"], offsets)
    x = features_of(used, combs, temperatures)
    y = np.array([is_wrong(r, comb) for r, comb in zip(used, combs, strict=True)])
    weights = np.array([weight_of(r, rare) for r in used])
    middle, scale = x.mean(0), np.maximum(x.std(0), 1e-3)
    z = (x - middle) / scale
    groups = np.unique([r["group"] for r in used], return_inverse=True)[1]
    judged = np.zeros(len(used))
    folds = min(FOLDS, len(set(groups.tolist())))
    for train, test in GroupKFold(folds).split(z, y, groups):
        slopes, bias = fit_logistic(z[train], y[train], weights[train])
        judged[test] = expit(z[test] @ slopes + bias)
    slopes, bias = fit_logistic(z, y, weights)
    photo = np.array([r["source"] == "photo" for r in used])
    doubtful = np.array([r["label"] in DOUBTFUL for r in used])
    known = photo & ~doubtful & np.array([r["label"] != NONE for r in used])
    limit = limit_of(judged, y, known, photo & doubtful)
    settled = known & (judged <= limit)
    return {
        "features": list(FEATURES),
        "middle": [round(float(v), 5) for v in middle],
        "scale": [round(float(v), 5) for v in scale],
        "weights": [round(float(v), 5) for v in slopes],
        "bias": round(bias, 5),
        "limit": round(limit, 5),
        "out_of_fold": {
            "photographs": int(known.sum()),
            "settled": int(settled.sum()),
            "settled_wrong": int((settled & y).sum()),
            "doubtful": int((photo & doubtful).sum()),
            "doubtful_settled": int((photo & doubtful & (judged <= limit)).sum()),
        },
    }


def fit_logistic(x: Array, wrong: NDArray[np.bool_], weights: Array) -> tuple[Array, float]:
    """Return slopes (k,) and intercept of a penalised logistic regression of FEATURES (n, k).

    All but the combs read may only raise the chance of a mistake: photographs picked because they
    were hard are large, and it must not be learnt from them that small heads are easy.
    """
    signs = np.where(wrong, 1.0, -1.0)

    def loss(at: Array) -> tuple[float, Array]:
        margin = signs * (x @ at[:-1] + at[-1])
        pull = -weights * signs * expit(-margin)
        slope = np.append(x.T @ pull + at[:-1] / STRENGTH, pull.sum())
        penalty = float(at[:-1] @ at[:-1]) / (2 * STRENGTH)
        return float(weights @ np.logaddexp(0, -margin)) + penalty, slope

    free = ("rose", "pea", "walnut")
    bounds = [(None if name in free else 0.0, None) for name in FEATURES] + [(None, None)]
    found = minimize(loss, np.zeros(x.shape[1] + 1), jac=True, method="L-BFGS-B", bounds=bounds)
    return np.asarray(found.x[:-1]), float(found.x[-1])


def limit_of(
    judged: Array, wrong: NDArray[np.bool_], known: NDArray[np.bool_], doubtful: NDArray[np.bool_]
) -> float:
    """Highest chance of a mistake up to which few enough readings are wrong or doubtful; 0 if none.

    All arrays are (n,); `known` are photographs whose comb people agree on.
    """
    best = 0.0
    for limit in np.unique(judged[known]):
        settled = judged <= limit
        share = (settled & known & wrong).sum() / (settled & known).sum()
        unread = (settled & doubtful).sum() / max(1, doubtful.sum())
        if share <= WRONG_AT_MOST and unread <= DOUBTFUL_AT_MOST:
            best = float(limit)
    return best
