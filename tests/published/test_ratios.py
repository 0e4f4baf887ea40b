"""Ratios of matings against published figures."""

from fractions import Fraction

import pytest
from scipy.stats import binomtest

from genetics.cross import cross

F1 = "R/r+ P/p+"
SINGLE = "r+/r+ p+/p+"


def test_rose_by_pea_gives_walnut():
    # Punnett 1911, Mendelism, 3rd edition, pages 33 to 35.
    assert cross("R/R p+/p+", "r+/r+ P/P").combs == {"walnut": Fraction(1)}


def test_walnut_f1_intercross_is_nine_three_three_one():
    # Punnett 1911, Mendelism, 3rd edition, pages 33 to 35; Morgan 1916, figure 23.
    combs = cross(F1, F1).combs
    pea = combs["single_blade_pea"] + combs["triple_pea"]
    assert combs["walnut"] == Fraction(9, 16)
    assert combs["rose"] == Fraction(3, 16)
    assert pea == Fraction(3, 16)
    assert combs["single"] == Fraction(1, 16)


def test_pea_classes_of_the_intercross_are_two_to_one():
    # Incomplete dominance of pea: Moro et al. 2015, PMC4358827 (read: abstract).
    combs = cross(F1, F1).combs
    assert combs["single_blade_pea"] == Fraction(2, 16)
    assert combs["triple_pea"] == Fraction(1, 16)


def test_back_cross_to_single_gives_four_combs_in_equal_parts():
    # Punnett 1911, Mendelism, 3rd edition: the four kinds of gametes of the F1 walnut.
    assert set(cross(F1, SINGLE).combs.values()) == {Fraction(1, 4)}
    assert set(cross(F1, SINGLE).combs) == {"walnut", "rose", "single_blade_pea", "single"}


def test_maine_mating_426_fits_a_heterozygous_pea_hen():
    # Maine Agricultural Experiment Station, annual report 1910, page 112, mating 426:
    # 5 single against 5 pea or intermediate of 10 scored.
    expected = cross(SINGLE, "r+/r+ P/p+").combs
    assert expected == {"single": Fraction(1, 2), "single_blade_pea": Fraction(1, 2)}
    assert binomtest(5, 10, float(expected["single"])).pvalue > 0.05
    # The same count would be odd from a hen homozygous for pea.
    assert "single" not in cross(SINGLE, "r+/r+ P/P").combs


@pytest.mark.parametrize("chicks", [1, 5, 7])
def test_chance_that_a_carrier_shows_none(chicks):
    # Common practice, no source: (1/2)^n per locus against the double recessive.
    shown = cross("R/r+ p+/p+", SINGLE).combs["single"]
    assert (1 - shown) ** chicks == Fraction(1, 2) ** chicks
