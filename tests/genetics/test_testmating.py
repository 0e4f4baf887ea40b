"""Test matings against the trade's tables, SciPy and brute force."""

import numpy as np
import pytest
from scipy.stats import binom

from genetics.genotype import NAMES, index_of
from genetics.testmating import (
    TestMatingError,
    after_scoring,
    best_testers,
    chicks_needed,
    eggs_needed,
    plan,
    seen_given_subject,
    telling_chance,
    unseen,
)

SINGLE, F1 = index_of("r+/r+ p+/p+"), index_of("R/r+ P/p+")
RATES = (0.85, 0.80, 0.90)


def known(text):
    return np.eye(9)[index_of(text)]


@pytest.mark.parametrize(
    ("mate", "chicks", "left"),
    [(SINGLE, 5, 0.031), (SINGLE, 7, 0.008), (F1, 11, 0.042), (F1, 17, 0.008)],
)
def test_the_trades_tables_of_unseen_carriers(mate, chicks, left):
    # Common practice, no source: (1/2)^n to the recessive, (3/4)^n to a heterozygote.
    chance = telling_chance(index_of("R/r+ p+/p+"), mate, "R")
    assert unseen(chance, chicks) == pytest.approx(left, abs=0.0005)


def test_rose_hides_nothing_of_pea_and_pea_nothing_of_rose():
    assert telling_chance(F1, SINGLE, "R") == 0.5
    assert telling_chance(F1, SINGLE, "P") == 0.5


def test_a_pure_mate_tells_nothing():
    assert telling_chance(F1, index_of("R/R P/P"), "R") == 0
    with pytest.raises(TestMatingError, match="another mate"):
        chicks_needed(0.0, 0.95)


def test_eggs_leave_the_chicks_with_the_stated_chance_and_no_fewer_would():
    eggs = eggs_needed(5, RATES, 0.9)
    each = 0.85 * 0.80 * 0.90
    assert binom.sf(4, eggs, each) >= 0.9 > binom.sf(4, eggs - 1, each)


def test_a_plan_adds_up():
    prior = (known("R/R p+/p+") + known("R/r+ p+/p+")) / 2
    worked = plan(prior, SINGLE, "R", 0.95, RATES)
    assert (worked.chicks, worked.telling, worked.carrier_before) == (5, 0.5, 0.5)
    # Bayes by hand: 1/2 * 1/32 against 1/2.
    assert worked.carrier_if_none == pytest.approx((1 / 32) / (1 / 32 + 1))
    # A carrier waits for a geometric time cut at 5, a pure bird for all 5.
    waiting = sum(k * 0.5**k for k in range(1, 6)) + 5 * 0.5**5
    assert worked.expected_chicks == pytest.approx((waiting + 5) / 2)


def test_scoring_chicks_is_bayes_over_the_nine_genotypes():
    prior = np.full(9, 1 / 9)
    mate = known("r+/r+ p+/p+")
    now = after_scoring(prior, mate, {"walnut": 3, "rose": 1})
    table = seen_given_subject(mate)
    by_hand = prior * table[:, 5] ** 3 * table[:, 2]
    assert np.allclose(now, by_hand / by_hand.sum(), atol=1e-12)


def test_one_misread_chick_does_not_settle_what_many_deny():
    prior = (known("R/R P/P") + known("R/r+ P/P")) / 2
    mate = known("r+/r+ p+/p+")
    many = after_scoring(prior, mate, {"walnut": 12})
    one_odd = after_scoring(prior, mate, {"walnut": 12, "single_blade_pea": 1})
    carrier = index_of("R/r+ P/P")
    assert many[carrier] < 0.01
    assert many[carrier] < one_odd[carrier] < 0.5


def test_the_single_comb_is_the_best_tester():
    prior = (known("R/R P/P") + known("R/r+ P/P")) / 2
    mates = {"f1": "R/r+ P/p+", "single": "r+/r+ p+/p+", "pure": "R/R P/P"}
    ranked = best_testers(prior, {band: known(g) for band, g in mates.items()}, "R")
    assert [band for band, _ in ranked] == ["single", "f1", "pure"]


@pytest.mark.parametrize(
    ("bird", "locus"), [("r+/r+ P/P", "R"), ("R/R P/P", "R"), ("R/R P/P", "X")]
)
def test_a_question_without_sense_is_refused(bird, locus):
    with pytest.raises(TestMatingError):
        plan(known(bird), SINGLE, locus, 0.95, RATES)


@pytest.mark.parametrize("rates", [(0, 0.8, 0.9), (0.85, 1.2, 0.9)])
def test_rates_outside_zero_to_one_are_refused(rates):
    with pytest.raises(TestMatingError, match="above 0"):
        eggs_needed(5, rates, 0.9)


def test_probabilities_sum_to_one():
    for mate in range(9):
        assert np.allclose(seen_given_subject(np.eye(9)[mate]).sum(1), 1, atol=1e-12)
    assert len(NAMES) == 9
