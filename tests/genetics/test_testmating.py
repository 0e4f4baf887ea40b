"""Test matings against the trade's tables, SciPy and brute force."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from genetics.genotype import NAMES, index_of
from genetics.rates import Rates
from genetics.testmating import (
    TestMatingError,
    after_scoring,
    best_testers,
    chick_by_chick,
    chicks_needed,
    eggs_needed,
    plan,
    seen_given_pair,
    telling_chance,
    tells_by_peas,
    unseen,
)

SINGLE, F1 = index_of("r+/r+ p+/p+"), index_of("R/r+ P/p+")
RATES = Rates(0.85, 0.80, 0.90)


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
    table = seen_given_pair()[:, int(np.argmax(mate))]
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
        eggs_needed(5, Rates(*rates), 0.9)


def test_probabilities_sum_to_one():
    assert seen_given_pair().shape == (len(NAMES), len(NAMES), 6)
    assert np.allclose(seen_given_pair().sum(2), 1, atol=1e-12)


def test_any_wanted_genotype_may_be_asked_about():
    # R/R P/P against the rest of the walnuts: to the double recessive any comb but walnut tells.
    walnuts = sum(known(g) for g in ("R/R P/P", "R/R P/p+", "R/r+ P/P", "R/r+ P/p+")) / 4
    worked = plan(walnuts, SINGLE, "R/R P/P", 0.95, RATES)
    assert worked.carrier_before == 0.75
    # The slowest ones carry one recessive: a half of their chicks tell. Five chicks leave 1/32.
    assert worked.chicks == 5
    left = (1 / 32 + 1 / 32 + (1 / 4) ** 5) / 4
    assert worked.carrier_if_none == pytest.approx(left / (left + 1 / 4))


def test_an_open_mate_is_one_bird_for_all_chicks():
    # A mate that is r+/r+ or R/r+, unknown which: (1/2)^n and (3/4)^n averaged, not (5/8)^n.
    prior = (known("R/R p+/p+") + known("R/r+ p+/p+")) / 2
    mate = (known("r+/r+ p+/p+") + known("R/r+ p+/p+")) / 2
    worked = plan(prior, mate, "R", 0.95, RATES)
    left = [(0.5**n + 0.75**n) / 2 for n in range(worked.chicks + 1)]
    assert left[-1] <= 0.05 < left[-2]
    assert worked.carrier_if_none == pytest.approx(left[-1] / (left[-1] + 1))
    assert worked.expected_chicks == pytest.approx((sum(left[:-1]) + worked.chicks) / 2)
    # Bayes over both birds by hand.
    now = after_scoring(prior, mate, {"rose": 4, "single": 1})
    table = seen_given_pair()
    joint = np.outer(prior, mate) * table[:, :, 2] ** 4 * table[:, :, 0]
    assert np.allclose(now, joint.sum(1) / joint.sum(), atol=1e-12)
    with pytest.raises(TestMatingError, match="no chick of this mate can tell"):
        plan(prior, (known("r+/r+ p+/p+") + known("R/R p+/p+")) / 2, "R", 0.95, RATES)


def test_chicks_are_scored_one_by_one():
    prior = (known("R/R p+/p+") + known("R/r+ p+/p+")) / 2
    steps = chick_by_chick(prior, known("r+/r+ p+/p+"), "R", ["rose", "rose", "single"])
    assert [s.chick for s in steps] == [1, 2, 3]
    assert 0.5 > steps[0].carrier > steps[1].carrier
    assert steps[2].carrier > 0.75
    last = after_scoring(prior, known("r+/r+ p+/p+"), {"rose": 2, "single": 1})
    assert steps[2].carrier == pytest.approx(last[index_of("R/r+ p+/p+")])


@given(
    chicks=st.integers(1, 60),
    share=st.floats(0.002, 1.0),
    certainty=st.floats(0.05, 0.995),
)
@settings(max_examples=300, deadline=None)
def test_eggs_are_the_fewest_that_leave_enough_chicks(chicks, share, certainty):
    """Against counting up with the binomial distribution, as scipy.stats.binom has it."""
    eggs = eggs_needed(chicks, Rates(1.0, 1.0, share), certainty)
    assert binom.sf(chicks - 1, eggs, share) >= certainty - 1e-9
    assert eggs == chicks or binom.sf(chicks - 1, eggs - 1, share) < certainty + 1e-9


def test_a_triple_pea_mate_tells_less_than_half_as_blade_is_taken_for_triple():
    """P/p+ x P/P throws blade and triple alike (Moro et al. 2015, PMC4358827, on incomplete
    dominance); P/p+ x p+/p+ throws single, which nobody mistakes for pea by rule."""
    carrier = index_of("r+/r+ P/p+")
    by_triple = telling_chance(carrier, index_of("r+/r+ P/P"), "P")
    by_single = telling_chance(carrier, index_of("r+/r+ p+/p+"), "P")
    assert by_single == 0.5
    assert 0.4 < by_triple < 0.5
    assert tells_by_peas(carrier, index_of("r+/r+ P/P"), "P")
    assert not tells_by_peas(carrier, index_of("r+/r+ p+/p+"), "P")
