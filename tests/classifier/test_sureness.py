"""What sureness has been earned: the model of mistakes, its limit, and what is said of it."""

import numpy as np
import pytest
from scipy.special import expit
from sklearn.linear_model import LogisticRegression

from classifier.quality import Quality
from classifier.reading import HeadBox, Reading, Wattles, judge
from classifier.sureness import CONDITIONS, FEATURES, Mistake, described, weighed
from classifier.training.mistakes import STRENGTH, fit_logistic, fit_mistakes, limit_of
from classifier.vocabulary import COMBS

SURE = np.array([0.97, 0.01, 0.005, 0.005, 0.005, 0.005])
PLAIN = {"none": 0.01, "readable": 0.99, "crest": 0.0, "young": 0.0, "frontal": 0.0}
CLEAR = Quality(120, 0.3, 40, 200)


def model(limit=0.1, **weights):
    return {
        "middle": [0.0] * len(FEATURES),
        "scale": [1.0] * len(FEATURES),
        "weights": [weights.get(name, 0.0) for name in FEATURES],
        "bias": -3.0,
        "limit": limit,
    }


def test_the_chance_is_that_of_the_logistic_model():
    features = described(SURE, PLAIN | {"young": 0.9}, CLEAR, 1.0)
    found = weighed(model(young=2.0), features)
    assert found.chance == pytest.approx(expit(-3 + 2 * 0.9))
    assert (found.reason, found.earned) == ("young", False)
    assert weighed(None, features) is None


@pytest.mark.parametrize(
    ("condition", "worse"),
    [
        ("young", {"young": 1.0}),
        ("frontal", {"frontal": 1.0}),
        ("small", {"pixels": 40}),
        ("blurred", {"sharpness": 0.06}),
        ("dark", {"bright": 50}),
        ("unlike", {"unlike": 6.0}),
    ],
)
def test_each_condition_raises_its_own_number_alone(condition, worse):
    chances = PLAIN | {k: v for k, v in worse.items() if k in PLAIN}
    quality = Quality(
        worse.get("pixels", 120), worse.get("sharpness", 0.3), 40, worse.get("bright", 200)
    )
    before = described(SURE, PLAIN, CLEAR, 1.0)
    after = described(SURE, chances, quality, worse.get("unlike", 1.0))
    changed = [FEATURES[i] for i in np.flatnonzero(before != after)]
    assert changed == [condition]
    assert after[FEATURES.index(condition)] > before[FEATURES.index(condition)]


def reading(mistake):
    return Reading(
        photo="a.jpg",
        head=HeadBox((0, 0, 90, 90), "given", 1.0),
        comb=tuple(SURE),
        none_of_these=0.01,
        readable=0.99,
        plausible=("single",),
        crest=0.0,
        beard=0.0,
        wattles=Wattles(None, None),
        complaints=(),
        remarks=(),
        model="test",
        mistake=mistake,
    )


def test_a_reading_whose_like_are_often_wrong_is_not_settled_and_says_why():
    assert judge(reading(None)).pile == "settled"
    assert judge(reading(Mistake(0.02, "", True))).pile == "settled"
    held = judge(reading(Mistake(0.3, "frontal", False)))
    assert held.pile == "second_look"
    assert "from the front" in str(held.doubts[0])
    assert held.as_json()["measures"]["mistake"] == 0.3
    for reason in (*CONDITIONS, ""):
        assert "30%" in str(judge(reading(Mistake(0.3, reason, False))).doubts[0])


def test_the_limit_is_the_highest_that_keeps_mistakes_and_doubtful_ones_few():
    judged = np.array([0.01, 0.02, 0.03, 0.04, 0.5, 0.02, 0.6])
    wrong = np.array([False, False, False, True, True, True, True])
    known = np.array([True, True, True, True, True, False, False])
    doubtful = ~known
    # Half of the doubtful would be settled from 0.02 on: more than a few.
    assert limit_of(judged, wrong, known, doubtful) == 0.01
    assert limit_of(judged, wrong, known, doubtful & False) == 0.03
    assert limit_of(judged[4:5], wrong[4:5], known[4:5], doubtful[4:5]) == 0.0


def test_the_logistic_fit_is_scikit_learns_where_no_slope_is_held_back():
    rng = np.random.default_rng(4)
    x = rng.normal(size=(500, len(FEATURES)))
    true = np.linspace(0.3, 1.5, len(FEATURES))
    wrong = rng.random(500) < expit(x @ true - 1)
    weights = rng.uniform(0.5, 3, 500)
    slopes, bias = fit_logistic(x, wrong, weights)
    theirs = LogisticRegression(C=STRENGTH, max_iter=5000, tol=1e-8).fit(x, wrong, weights)
    assert slopes == pytest.approx(theirs.coef_[0], abs=1e-3)
    assert bias == pytest.approx(theirs.intercept_[0], abs=1e-3)
    # A condition that seems to make readings safer counts for nothing.
    slopes, _ = fit_logistic(-x, wrong, weights)
    held = [name for name, slope in zip(FEATURES, slopes, strict=True) if slope == 0]
    assert set(held) == set(FEATURES) - {"rose", "pea", "walnut"}


def test_a_fitted_model_finds_what_makes_readings_wrong():
    rng = np.random.default_rng(0)
    rows = []
    for i in range(600):
        frontal = rng.random() < 0.3
        wrong = rng.random() < (0.4 if frontal else 0.02)
        logits = {f"comb{k}": "0" for k in range(6)} | {"comb4" if wrong else "comb0": "6"}
        rows.append(
            logits
            | {"source": "photo", "label": "single", "group": f"g{i}", "pixels": "90"}
            | {"sharpness": "0.3", "bright": "200", "unlike0": "1", "none0": "-4"}
            | {"readable0": "4", "crest0": "-4", "young0": "-4"}
            | {"frontal0": "4" if frontal else "-4"}
        )
    temperatures = dict.fromkeys(("comb", "none", "readable", "crest", "young", "frontal"), 1.0)
    found = fit_mistakes(rows, temperatures, np.zeros(len(COMBS)), lambda row: 1.0)
    weights = dict(zip(found["features"], found["weights"], strict=True))
    assert max(CONDITIONS, key=weights.__getitem__) == "frontal"
    told = found["out_of_fold"]
    assert told["settled"] > 300
    assert told["settled_wrong"] <= 0.02 * told["settled"]
