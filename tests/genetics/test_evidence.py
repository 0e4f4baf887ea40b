"""Likelihoods: the training prior is divided out, and wattles keep silent where they must."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from genetics.combs import CLASSES, penetrance, textbook_comb
from genetics.evidence import from_person, from_posterior, from_wattles
from genetics.genotype import NAMES, GenotypeError, index_of, possible, written


def test_a_posterior_that_equals_the_training_prior_says_nothing():
    prior = np.array([0.3, 0.1, 0.2, 0.1, 0.1, 0.2])
    assert np.allclose(from_posterior(prior, prior), 1)


def test_the_training_prior_is_divided_out():
    posterior = np.array([0.5, 0.1, 0.1, 0.1, 0.1, 0.1])
    prior = np.array([0.25, 0.15, 0.15, 0.15, 0.15, 0.15])
    likelihood = from_posterior(posterior, prior)
    assert likelihood[0] / likelihood[1] == pytest.approx((0.5 / 0.25) / (0.1 / 0.15))


def test_a_useless_photo_says_nothing():
    posterior = [1.0, 0, 0, 0, 0, 0]
    assert np.allclose(from_posterior(posterior, [1 / 6] * 6, useless=1.0), 1)


@pytest.mark.parametrize("bad", [[0.5] * 6, [1.0], [1.2, -0.2, 0, 0, 0, 0]])
def test_a_posterior_must_be_a_distribution(bad):
    with pytest.raises(ValueError, match="sum to 1"):
        from_posterior(bad, [1 / 6] * 6)


@given(
    st.sampled_from(["small", "medium", "large"]),
    st.sampled_from([True, None]),
    st.sampled_from(["cock", "hen", ""]),
    st.one_of(st.none(), st.floats(0, 500)),
)
def test_wattles_of_a_bearded_or_unknown_bird_change_nothing_to_the_last_bit(size, beard, sex, age):
    assert from_wattles(size, beard, sex, age).tobytes() == np.ones(9).tobytes()


@pytest.mark.parametrize(("sex", "age"), [("", 60.0), ("cock", None), ("hen", 8.0)])
def test_wattles_need_sex_and_age(sex, age):
    assert (from_wattles("large", False, sex, age) == 1).all()


def test_large_wattles_of_a_beardless_cock_speak_against_pea():
    # Pea reduces comb and wattles: Wright et al. 2009, PLoS Genetics 5(6) e1000512.
    likelihood = from_wattles("large", False, "cock", 60)
    assert likelihood[index_of("r+/r+ p+/p+")] > likelihood[index_of("r+/r+ P/P")]


@pytest.mark.parametrize("crest", [True, False, None])
def test_comb_table_rows_are_distributions_led_by_the_textbook_comb(crest):
    table = penetrance(crest)
    assert np.allclose(table.sum(1), 1, atol=1e-12)
    if not crest:
        best = [CLASSES[i] for i in table.argmax(1)]
        assert best == [textbook_comb(i) for i in range(9)]


def test_every_reading_of_a_person_is_a_likelihood_over_all_words():
    total = sum(from_person(c) for c in CLASSES)
    assert np.allclose(total, 1)


def test_genotypes_are_written_the_trades_way():
    assert NAMES[0] == "R/R P/P"
    assert NAMES[8] == "r+/r+ p+/p+"
    assert written((1, 1)) == "R/r+ P/p+"
    assert [NAMES[i] for i in possible("R/? P/p+")] == ["R/R P/p+", "R/r+ P/p+"]


@pytest.mark.parametrize("bad", ["", "R/r+", "R/x P/P", "R/r+ P/p+ O/o+", "RR PP"])
def test_what_is_no_genotype_is_refused(bad):
    with pytest.raises(GenotypeError):
        possible(bad)


def test_dividing_out_the_class_prior_is_right_at_a_temperature_below_one():
    """Simulated: a reader trained on uneven classes and then calibrated by a temperature of 0.5,
    used on birds that are evenly distributed. Bayes' rule with what `from_posterior` gives must be
    calibrated there; with the calibrated probabilities as they are it must not.
    """
    rng = np.random.default_rng(0)
    prior = np.array([0.5, 0.1, 0.2, 0.05, 0.05, 0.1])
    centres = 1.2 * np.eye(6)

    def readings(truth):
        seen = centres[truth] + rng.normal(size=(len(truth), 6))
        logits = np.log(prior) - 0.5 * ((seen[:, None] - centres) ** 2).sum(2)
        logits = 0.5 * logits  # a reader that is too modest: it needs a temperature of 0.5
        calibrated = np.exp(logits / 0.5)
        return calibrated / calibrated.sum(1, keepdims=True)

    def calibration_gap(chances, truth):
        top = chances.argmax(1)
        sure, right = chances.max(1), (top == truth).astype(float)
        bins = np.clip((sure * 10).astype(int), 0, 9)
        gaps = [abs(sure[bins == b].sum() - right[bins == b].sum()) for b in range(10)]
        return sum(gaps) / len(truth)

    trained = rng.choice(6, 20_000, p=prior)
    assert calibration_gap(readings(trained), trained) < 0.01
    even = rng.integers(6, size=20_000)
    found = readings(even)
    likelihoods = np.array([from_posterior(p, prior) for p in found])
    chances = likelihoods / likelihoods.sum(1, keepdims=True)
    assert calibration_gap(chances, even) < 0.01
    assert calibration_gap(found, even) > 0.05
