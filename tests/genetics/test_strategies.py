"""Strategies: odds, tests and inbreeding against hand calculation."""

import numpy as np
import pytest

from genetics.genotype import index_of
from genetics.rates import Rates
from genetics.strategies import cheapest, pair_inbreeding, silent_chance, simulate, table
from genetics.testmating import TestMatingError

RATES = Rates(0.85, 0.80, 0.90)


def test_carriers_fall_silent_as_the_trades_table_says():
    # Common practice, no source: (1/2)^n at one locus; walnut is 1/4 of the F1's test chicks.
    silent = silent_chance(7)
    assert silent[index_of("R/R P/P")] == 1
    assert silent[index_of("R/r+ P/P")] == silent[index_of("R/R P/p+")] == 0.5**7
    assert silent[index_of("R/r+ P/p+")] == 0.25**7
    assert silent[index_of("r+/r+ P/P")] == 0


def test_inbreeding_of_the_pairs_by_hand():
    # Wright's path method. Full sibs of half-sib F1 parents: 1/4 (1/2 + 1/2 + 2/8).
    assert pair_inbreeding("intercross") == 0.3125
    # Both by the foundation cock, of half-sib F1 hens of his: 1/4 (1/2 + 1/4 + 1/4 + 1/8).
    assert pair_inbreeding("back-to-the-walnut") == 0.28125
    # Full sibs of BC parents whose sires are half sibs: 1/4 (1/2 + 1/2 + 2/32).
    assert pair_inbreeding("back-to-the-variety") == 0.265625


@pytest.mark.parametrize("name", table()["strategies"])
def test_odds_are_odds_and_a_proven_pair_is_almost_always_pure(name):
    o = simulate(name, 60, RATES, 300, np.random.default_rng(1))
    assert 0 < o.proven <= 1
    # A false pass needs a carrier unseen in 7 chicks: at most a few in a hundred pairs.
    assert o.truly_pure > 0.9
    assert o.seasons[0] <= o.seasons[1] <= o.seasons[2]
    assert o.eggs[0] > 60


def test_a_quarter_of_pure_chicks_is_faster_than_a_sixteenth():
    rng = np.random.default_rng(2)
    back = simulate("back-to-the-walnut", 40, RATES, 300, rng)
    inter = simulate("intercross", 40, RATES, 300, rng)
    assert back.eggs[1] < inter.eggs[1]
    assert (back.variety, inter.variety) == (0.25, 0.5)
    assert cheapest([back, inter]) == back


@pytest.mark.slow
def test_the_share_of_first_tries_matches_the_chance_of_a_pure_chick():
    # With eggs without number the first hatch holds pure cocks and hens; with 8 tests a season,
    # 4 of each sex, all of the cock x F1 hatch walnut and a quarter pure, a pair is proven in the
    # first round with the chance (1 - (3/4)^4)^2, or a little more: a sex that passed leaves room.
    o = simulate("back-to-the-walnut", 400, Rates(1, 1, 1), 3000, np.random.default_rng(3))
    first = (1 - 0.75**4) ** 2
    assert o.seasons[0] == 3
    rng = np.random.default_rng(4)
    many = [simulate("back-to-the-walnut", 400, Rates(1, 1, 1), 1, rng) for _ in range(600)]
    share = np.mean([m.seasons[1] == 3 for m in many])
    assert first - 0.06 < share < first + 0.25


def test_the_same_seed_gives_the_same_outlook():
    one, two = (simulate("intercross", 40, RATES, 50, np.random.default_rng(5)) for _ in range(2))
    assert one == two


@pytest.mark.parametrize(
    ("name", "eggs", "runs"), [("luck", 40, 10), ("intercross", 0, 10), ("intercross", 40, 0)]
)
def test_what_makes_no_sense_is_refused(name, eggs, runs):
    with pytest.raises(TestMatingError):
        simulate(name, eggs, RATES, runs, np.random.default_rng(0))
