"""What mistakes cost and what a step is worth, against sums by hand."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from classifier.quality import rules
from classifier.reading import risk
from classifier.vocabulary import COMBS
from genetics.combs import tables
from genetics.genotype import NAMES
from service.flock.candidates import Candidate
from service.flock.next_steps import Known, Step, costs, steps
from service.flock.value_of_information import (
    cost_table,
    gain_of_look,
    least_risk,
    price_of,
    reader_given,
    values_of_steps,
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


def cock(genotypes, combs):
    return Candidate(
        "x",
        dict(zip(NAMES, genotypes, strict=True)),
        dict(zip(COMBS, combs, strict=True)),
        None,
        (),
        crest={"Cr/Cr": 0.0, "Cr/cr+": 0.0, "cr+/cr+": 1.0},
    )


def test_a_test_mating_is_worth_something_where_only_the_genotype_is_open():
    """A walnut cock, sure of his comb, that breeds true with a chance of 11 %: bred from as he is
    he isn't used as R/R P/P, at a cost of 0.11; chicks of a single-combed hen tell."""
    chances = np.zeros(9)
    chances[[0, 1, 3, 4]] = 0.11, 0.22, 0.22, 0.45
    known = cock(chances, (0.001, 0.0, 0.002, 0.001, 0.001, 0.995))
    test = Step("test", Message("step_blind"), 240, 11, 20)
    (worth,) = values_of_steps(known, [test], {}, False)
    least = costs()["worth"]["pure_passed_over"] * 0.11
    # Five chicks, the worth of which is simulated, tell part of it.
    assert 0.2 * least < worth.gain <= least


def test_one_mating_answers_both_loci():
    chances = np.zeros(9)
    chances[[0, 1, 3, 4]] = 0.25
    known = cock(chances, (0.0, 0.0, 0.0, 0.0, 0.0, 1.0))
    found = steps(known, None, Known("cock", None, False, "large", 1, True), date(2026, 6, 1))
    tests = [step for step in found if step.kind == "test"]
    assert [step.says.code for step in tests] == ["step_test_both"]
    assert "whether it hides r+ or p+" in str(tests[0].says)


def test_another_photo_is_worth_what_the_first_one_left():
    chances = np.zeros(9)
    chances[[0, 8]] = 0.5
    known = cock(chances, (0.5, 0.0, 0.0, 0.0, 0.0, 0.5))
    photo = Step("photo", Message("step_photo"), 2)
    first, second = (values_of_steps(known, [photo], {}, False, n)[0].gain for n in (0, 1))
    alike = tables()["looks"]["of_the_reader"]
    assert second == pytest.approx(first * (1 - alike))
