"""What mistakes cost and what a step is worth, against sums by hand."""

from __future__ import annotations

import numpy as np
import pytest

from classifier.quality import rules
from classifier.reading import risk
from classifier.vocabulary import COMBS
from service.flock.next_steps import Step
from service.flock.value_of_information import (
    cost_table,
    gain_of_look,
    least_risk,
    price_of,
    reader_given,
)
from service.wording.sentences import Message

SINGLE, FOLDED, ROSE, BLADE, TRIPLE, WALNUT = range(6)


def test_a_mistake_costs_what_the_file_says_both_where_it_is_weighed_and_where_it_is_valued():
    """classifier/decision.toml: [taken for][true comb], a walnut taken for single costs 4."""
    sure = [tuple(float(i == c) for i in range(6)) for c in range(6)]
    assert risk("single", sure[WALNUT]) == 4.0
    assert risk("walnut", sure[SINGLE]) == 3.0
    assert risk("walnut", sure[WALNUT]) == 0.0
    table = cost_table()
    for taken, name in enumerate(COMBS):
        for true in range(6):
            assert table[taken, true] == risk(name, sure[true]), (name, COMBS[true])
            listed = rules()["costs"][name].get(COMBS[true], 0.0)
            assert table[taken, true] == listed


def test_risk_is_the_mean_cost_over_what_the_comb_may_be():
    chances = (0.5, 0.0, 0.25, 0.0, 0.0, 0.25)
    assert risk("single", chances) == pytest.approx(0.25 * 2.0 + 0.25 * 4.0)
    assert risk("rose", chances) == pytest.approx(0.5 * 2.0 + 0.25 * 1.0)


def test_the_best_decision_is_the_cheapest_not_the_likeliest():
    """Single at 0.6 and walnut at 0.4: taken for single 0.4 x 4, for walnut 0.6 x 3, for rose
    0.6 x 2 + 0.4 x 1, the same for either pea."""
    chances = np.array([0.6, 0, 0, 0, 0, 0.4])
    assert least_risk(chances) == pytest.approx(min(0.4 * 4, 0.6 * 3, 0.6 * 2 + 0.4))


def test_a_look_that_is_always_right_takes_all_risk_away_and_one_that_guesses_none():
    chances = np.array([0.6, 0, 0, 0, 0, 0.4])
    assert gain_of_look(chances, np.eye(6)) == pytest.approx(1.6)
    assert gain_of_look(chances, np.full((6, 6), 1 / 6)) == pytest.approx(0.0)


def test_a_step_costs_its_minutes_weeks_and_eggs():
    """genetics/settling.toml: 0.002 a minute, 0.01 a week, 0.01 an egg."""
    step = Step("test", Message("step_blind"), 240, 11, 20)
    assert price_of(step) == pytest.approx(240 * 0.002 + 11 * 0.01 + 20 * 0.01)


def test_a_better_photo_mends_its_share_of_the_mistakes():
    card = {"scores": {"renders kept from training, given boxes": {
        "confusion": {"counts": (9 * np.eye(6) + 0.5).tolist()}}}}  # fmt: skip
    plain, better = reader_given(card), reader_given(card, 0.6)
    assert np.allclose(plain.sum(1), 1)
    assert np.allclose(1 - np.diag(better), 0.4 * (1 - np.diag(plain)))
