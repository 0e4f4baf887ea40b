"""Counts of chicks against SciPy and against brute force."""

import itertools

import numpy as np
import pytest
from scipy.stats import binomtest, chisquare, multinomial

from genetics.combs import CLASSES, founder_prior, penetrance, tables
from genetics.counts import CountError, better_parents, exact, fit, mating_likelihood
from genetics.cross import cross, transmission
from genetics.genotype import NAMES, index_of

F1, SINGLE = "R/r+ P/p+", "r+/r+ p+/p+"


def test_large_counts_give_scipys_chi_square():
    seen = {"walnut": 30, "rose": 18, "single_blade_pea": 25, "single": 27}
    result = fit(F1, SINGLE, seen)
    assert result.method == "chi-square"
    assert result.p_value == pytest.approx(chisquare(list(seen.values())).pvalue, abs=1e-12)


def test_below_five_expected_the_test_is_exact():
    # Cochran's rule: trade.md's 'about 5 expected in each class'.
    assert fit(F1, SINGLE, {"walnut": 5, "rose": 5, "single": 5, "single_blade_pea": 5}).method == (
        "chi-square"
    )
    assert fit(F1, SINGLE, {"walnut": 5, "rose": 5, "single": 5}).method == "exact multinomial"


@pytest.mark.parametrize("seen", [(5, 5, 0, 0), (3, 2, 1, 4), (0, 0, 0, 8), (2, 2, 2, 2)])
def test_the_exact_test_equals_the_sum_over_all_outcomes(seen):
    n, p = sum(seen), [0.25, 0.4, 0.1, 0.25]
    law = multinomial(n, p)
    mine = law.pmf(seen)
    total = sum(
        law.pmf(o)
        for o in itertools.product(range(n + 1), repeat=4)
        if sum(o) == n and law.pmf(o) <= mine * (1 + 1e-9)
    )
    assert exact(np.array(seen, float), np.array(p)) == pytest.approx(total, abs=1e-10)


def test_two_classes_equal_scipys_binomial_test():
    result = fit(SINGLE, "r+/r+ P/p+", {"single": 1, "single_blade_pea": 7})
    assert result.p_value == pytest.approx(binomtest(1, 8).pvalue, abs=1e-12)


def test_a_comb_that_the_parents_cannot_throw_is_said():
    result = fit("R/R P/P", SINGLE, {"walnut": 9, "single": 1})
    assert (result.method, result.p_value) == ("impossible", 0.0)
    assert "can't have thrown 1 single" in str(result.verdict)


@pytest.mark.parametrize(
    ("single", "verdict"),
    [(10, "counts_fit"), (6, "counts_fit"), (5, "counts_poor"), (4, "counts_rare")],
)
def test_how_well_counts_fit_is_said_by_their_chance(single, verdict):
    """20 chicks where half are due single: below 0.05 the fit is poor, below 0.01 a rare chance;
    scipy.stats.chisquare gives 1, 0.074, 0.025 and 0.007."""
    result = fit(SINGLE, "r+/r+ P/p+", {"single": single, "single_blade_pea": 20 - single})
    assert result.p_value == pytest.approx(chisquare([single, 20 - single]).pvalue)
    assert result.verdict.code == verdict


def test_parents_that_fit_better_are_named():
    pairs = better_parents({"walnut": 9, "single": 3}, founder_prior(), founder_prior())
    assert pairs
    for pair in pairs:
        assert "r+" in pair.sire
        assert "r+" in pair.dam
        assert "p+" in pair.sire
        assert "p+" in pair.dam


def test_one_odd_chick_of_a_hundred_is_a_misread_comb_rather_than_two_other_parents():
    """All chicks of R/R P/P x single are walnut (Punnett 1911); two double heterozygotes would
    throw 56 walnut, 19 rose, 19 pea and 6 single of a hundred."""
    known = np.eye(9)[[index_of("R/R P/P"), index_of("r+/r+ p+/p+")]] * 0.9 + 0.1 / 9
    best = better_parents({"walnut": 99, "single": 1}, *known)[0]
    assert (best.sire, best.dam) == ("R/R P/P", "r+/r+ p+/p+")
    # With all nine genotypes as likely, one parent at least must give R and P to all its chicks.
    for pair in better_parents({"walnut": 99, "single": 1}, np.ones(9), np.ones(9)):
        assert "R/R P/P" in (pair.sire, pair.dam)


def test_pea_may_be_counted_as_one():
    result = fit(F1, F1, {"walnut": 9, "rose": 3, "pea": 3, "single": 1})
    assert result.expected == pytest.approx((1, 3, 3, 9))
    assert result.p_value == pytest.approx(1)


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        ({"walnut": -1}, "not a whole number"),
        ({"strawberry": 2}, "unknown comb"),
        ({"pea": 1, "triple_pea": 2}, "pea"),
        ({"single": 0}, "no chicks"),
    ],
)
def test_counts_that_make_no_sense_are_refused(seen, words):
    with pytest.raises(CountError, match=words):
        fit(F1, F1, seen)


def test_counts_as_evidence_on_the_parents_are_bayes_by_hand():
    # Multinomial likelihood of the chicks for each pair of genotypes, misreads and leaks included.
    table = mating_likelihood({"single": 3, "crest_folded_single": 2, "walnut": 4})
    combs, slip = transmission() @ penetrance(False), tables()["person"]["slip"]
    single = (
        combs[:, :, CLASSES.index("single")] + combs[:, :, CLASSES.index("crest_folded_single")]
    )
    walnut = combs[:, :, CLASSES.index("walnut")]

    def said(share):  # right, or one of the four other words by a slip
        return share * (1 - slip) + (1 - share) * slip / 4

    by_hand = np.zeros((9, 9))
    for s, d in itertools.product(range(9), repeat=2):
        chances = [said(single[s, d]), said(walnut[s, d])]
        by_hand[s, d] = multinomial.pmf([5, 4, 0], 9, [*chances, 1 - sum(chances)])
    assert np.allclose(table, by_hand / by_hand.max(), atol=1e-10)
    best = np.unravel_index(table.argmax(), table.shape)
    assert cross(NAMES[best[0]], NAMES[best[1]]).combs.keys() >= {"single", "walnut"}
    assert mating_likelihood({"walnut": 9})[0, 0] == 1


@pytest.mark.parametrize(
    "counts", [{"walnut": -1}, {"beak": 2}, {"walnut": 0}, {"pea": 1, "triple_pea": 1}]
)
def test_counts_without_sense_are_no_evidence(counts):
    with pytest.raises(CountError):
        mating_likelihood(counts)
