"""Pairs, kinship and eggs against textbooks and SciPy."""

import numpy as np
import pytest
from scipy.stats import binom

from genetics.cross import cross
from genetics.genotype import index_of
from genetics.kinship import Parentage, kinship
from genetics.planning import PlanError, PlanRequest, fertility, less_fertile, pens, rank
from genetics.rates import Rates


def matings(*args):
    """All pairs, the best first."""
    return rank(*args).best()


RATES = Rates(0.85, 0.80, 0.90)


def test_wrights_coefficients_of_standard_matings():
    # Any textbook: half sibs 12.5 %, full sibs and parent with offspring 25 %, cousins 6.25 %.
    #        0   1   2   3   4   5  6  7  8  9
    sire = [-1, -1, -1, 0, 0, 0, -1, 3, 4, -1]
    dam = [-1, -1, -1, 1, 1, 2, -1, 6, 9, -1]
    table = kinship(sire, dam)
    assert table[3, 4] == 0.25
    assert table[3, 5] == 0.125
    assert table[0, 3] == 0.25
    assert table[7, 8] == 0.0625
    assert table[0, 1] == 0
    assert (np.diag(table) == 0.5).all()
    assert np.allclose(table, table.T)


def test_chicks_of_full_sibs_are_inbred_themselves():
    sire, dam = [-1, -1, 0, 0, 2], [-1, -1, 1, 1, 3]
    # F = 2 x kinship with oneself - 1 (Wright): a quarter after one generation of full sibs.
    assert 2 * kinship(sire, dam)[4, 4] - 1 == 0.25


def known(*texts):
    return np.array([np.eye(9)[index_of(t)] for t in texts])


def test_chances_of_a_pair_are_those_of_the_cross():
    marginals = known("R/r+ P/p+", "R/r+ P/p+")
    pair = matings(marginals, np.zeros((2, 2)), [0], [1], PlanRequest("walnut", 4, 0.9, RATES))[0]
    combs = cross("R/r+ P/p+", "R/r+ P/p+").combs
    assert pair.keepers == pair.walnut == pytest.approx(float(combs["walnut"]))
    assert pair.single == pytest.approx(1 / 16)
    assert pair.true_breeding == pytest.approx(1 / 16)


def test_eggs_leave_the_keepers_and_no_fewer_would():
    marginals = known("R/r+ P/p+", "R/r+ P/p+")
    pair = matings(
        marginals, np.zeros((2, 2)), [0], [1], PlanRequest("true-breeding", 2, 0.9, RATES)
    )[0]
    each = 0.85 * 0.80 * 0.90 / 16
    assert binom.sf(1, pair.eggs, each) >= 0.9 > binom.sf(1, pair.eggs - 1, each)


def test_pairs_are_ranked_by_goal_and_then_by_inbreeding():
    marginals = known("R/R P/P", "r+/r+ p+/p+", "R/R P/P", "R/R P/P")
    kin = np.zeros((4, 4))
    kin[0, 2] = kin[2, 0] = 0.25
    ranked = matings(marginals, kin, [0], [1, 2, 3], PlanRequest("true-breeding", 1, 0.9, RATES))
    assert [m.dam for m in ranked] == [3, 2, 1]
    assert ranked[-1].eggs is None
    assert any("inbred" in str(caution) for caution in ranked[1].cautions)


def test_a_pure_rose_cock_comes_with_the_published_caution():
    # Froman et al. 1992, Poultry Science 71:1939-1942: 53 % (SEM 2.1) and 21 % (SEM 2.1).
    trial = fertility()["rose_homozygous_cock"]
    assert (trial["Rr_percent"], trial["RR_percent"]) == (53, 21)
    assert trial["Rr_standard_error"] == trial["RR_standard_error"] == 2.1
    # One insemination over three weeks isn't a pen: the trial's ratio isn't taken for it.
    assert 0.85 * 21 / 53 < less_fertile(RATES)[0] == pytest.approx(0.85 * trial["pen_share"])
    marginals = known("R/R P/P", "r+/r+ p+/p+")
    pair = matings(marginals, np.zeros((2, 2)), [0], [1], PlanRequest("walnut", 3, 0.9, RATES))[0]
    said = " ".join(map(str, pair.cautions))
    assert "may then be less fertile" in said
    assert "sterile" not in said
    assert pair.eggs_if_less_fertile > pair.eggs
    other = matings(
        known("R/r+ P/P", "r+/r+ p+/p+"),
        np.zeros((2, 2)),
        [0],
        [1],
        PlanRequest("walnut", 3, 0.9, RATES),
    )[0]
    assert (other.cautions, other.eggs_if_less_fertile) == ((), None)


@pytest.mark.parametrize(
    ("goal", "cocks", "keepers"), [("beauty", [0], 1), ("walnut", [], 1), ("walnut", [0], 0)]
)
def test_plans_without_sense_are_refused(goal, cocks, keepers):
    with pytest.raises(PlanError):
        matings(
            known("R/R P/P", "R/R P/P"),
            np.zeros((2, 2)),
            cocks,
            [1],
            PlanRequest(goal, keepers, 0.9, RATES),
        )


def test_a_pen_averages_its_hens_and_takes_the_best_ones():
    birds = known("R/r+ P/p+", "R/r+ P/p+", "r+/r+ p+/p+", "R/R P/P")
    ranked = rank(birds, np.zeros((4, 4)), [0], [1, 2, 3], PlanRequest("walnut", 4, 0.9, RATES))
    (pen,) = pens(ranked, 2, PlanRequest("walnut", 4, 0.9, RATES))
    assert pen.dams == (3, 1)
    # By the crosses: all chicks of R/R P/P are walnut, 9/16 of the intercross (Punnett 1911).
    assert pen.keepers == pytest.approx((1 + 9 / 16) / 2)
    assert pen.single == pytest.approx((0 + 1 / 16) / 2)
    each = 0.85 * 0.80 * 0.90 * pen.keepers
    assert binom.sf(3, pen.eggs, each) >= 0.9 > binom.sf(3, pen.eggs - 1, each)
    (whole,) = pens(ranked, 9, PlanRequest("walnut", 4, 0.9, RATES))
    assert len(whole.dams) == 3
    with pytest.raises(PlanError):
        pens(ranked, 0, PlanRequest("walnut", 4, 0.9, RATES))


def test_any_genotype_may_be_the_goal():
    birds = known("R/r+ P/p+", "R/r+ P/p+")
    (pair,) = matings(birds, np.zeros((2, 2)), [0], [1], PlanRequest("R/R P/?", 1, 0.9, RATES))
    # A quarter is R/R, three quarters have P: Punnett 1911, Mendelism.
    assert pair.keepers == pytest.approx(1 / 4 * 3 / 4)


def test_a_chick_of_possible_parents_is_as_related_as_they_are_on_average():
    """0, 1 cocks, 2 a hen, 3 a chick of 2 by 0 or 1, 4 a chick of 0 x 2. By Wright's path method
    3 and 4 are full sibs (1/4) if 0 is the sire and half sibs (1/8) if 1 is."""
    sire, dam = [-1, -1, -1, -1, 0], [-1, -1, -1, 2, 2]
    some = {3: Parentage((0, 1), (2,), np.array([[0.75], [0.25]]))}
    table = kinship(sire, dam, some)
    assert table[3, 4] == pytest.approx(0.75 / 4 + 0.25 / 8)
    assert table[3, 0] == pytest.approx(0.75 / 4)
    # A chick of a bird's own possible sire isn't taken as unrelated.
    assert kinship(sire, dam)[3, 0] == 0
