"""Several looks at one bird: what they share counts once, and no look takes from another."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from classifier.calibration import calibrated_error_limit, expected_calibration_error
from genetics.combs import CLASSES, tables
from genetics.evidence import from_person, mixed_peas, observer_confusion
from genetics.looks import Look, together

WALNUT, SINGLE = CLASSES.index("walnut"), CLASSES.index("single")
FOLDED = CLASSES.index("crest_folded_single")


def odds(looks, one=WALNUT, other=SINGLE):
    found = together(looks)
    return found[one] / found[other]


def said(comb="walnut", by="Ada", moment="2026-05-01", **how):
    return Look(from_person(comb, **how), by, moment)


def test_one_look_says_what_it_says():
    found = together([said()])
    assert np.allclose(found, from_person("walnut") / from_person("walnut").max(), atol=1e-9)


def test_the_less_two_looks_share_the_more_they_say():
    once = odds([said()])
    same_reader = odds([said(), said()])
    same_day = odds([said(), said(by="Ben")])
    other_day = odds([said(), said(by="Ben", moment="2026-06-01")])
    assert once < same_reader < same_day < other_day < once**2


def test_photos_from_two_sides_say_more_than_two_from_one():
    mine = from_person("walnut")
    side, front = (Look(mine, "", "2026-05-01", view) for view in ("side", "front"))
    assert odds([side]) < odds([side, side]) < odds([side, front]) < odds([side]) ** 2
    # Ten frames of a moment don't make a doubtful comb certain.
    ten = np.log(odds([side] * 10)) / np.log(odds([side]))
    assert 1 < ten < 1.25


def test_looks_that_are_alike_count_by_the_design_effect():
    """Kish 1965, Survey Sampling: n looks of correlation r count as n / (1 + (n - 1) r)."""
    alike = tables()["looks"]["of_the_bird"]
    looks = [said(by=f"{i}", moment=f"2026-0{i}-01") for i in range(1, 5)]
    shown = np.log(odds(looks[:1]))
    assert np.log(odds(looks)) == pytest.approx(shown * 4 / (1 + 3 * alike))


def test_a_fold_deceives_all_who_look_at_that_moment():
    people = [said(by=str(i)) for i in range(20)]
    usual = observer_confusion()[FOLDED, WALNUT]
    shared = tables()["looks"]["of_the_moment"] * usual
    assert odds(people, other=FOLDED) < 1 / shared
    later = said(by="Ben", moment="2026-09-01")
    assert odds([*people, later], other=FOLDED) > 1 / shared


def test_a_confirmation_says_less_than_a_reading_not_blind_and_that_less_than_a_blind_one():
    confirmed, seen, blind = (
        odds([said(blind=b, confirms=c)]) for b, c in ((False, True), (False, False), (True, True))
    )
    assert 1 < confirmed < seen < blind
    assert confirmed < 2


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from("AB"), st.sampled_from("12"), st.floats(0, 1)),
        min_size=1,
        max_size=5,
    )
)
def test_a_further_look_that_agrees_never_lowers_what_the_others_said(drawn):
    looks = [Look(from_person("walnut") ** weight, by, moment) for by, moment, weight in drawn]
    for i in range(len(looks)):
        without = looks[:i] + looks[i + 1 :]
        if without:
            assert odds(looks) >= odds(without) * (1 - 1e-9)


def test_a_look_that_says_nothing_changes_nothing():
    silent = Look(np.ones(6), "Ben", "2026-05-01")
    assert np.allclose(together([said(), silent]), together([said()]), rtol=1e-9)
    assert np.array_equal(together([]), np.ones(6))


def test_a_photo_tells_blade_from_triple_no_better_than_photos_do():
    blade, triple = (CLASSES.index(c) for c in ("single_blade_pea", "triple_pea"))
    sure = np.full(6, 1e-3)
    sure[triple] = 1
    mixed = mixed_peas(sure)
    share = tables()["looks"]["peas_mixed"]
    assert mixed[blade] / mixed[triple] == pytest.approx(share / (1 - share), rel=0.01)
    assert mixed[WALNUT] == sure[WALNUT]


def simulated(rng, birds, moments, readers):
    """Birds of any comb alike, seen at some moments by some readers whose slips partly agree.

    At every moment the head looks like another comb with the chance that `combs.toml` gives to the
    moment, and each reader slips by its own on top, so that a reader's slips in all are the usual.
    """
    usual = observer_confusion()
    share = tables()["looks"]["of_the_moment"]
    moment = np.eye(6) + share * (usual - np.eye(6))
    own = np.clip(np.linalg.solve(moment, usual), 0, None)
    own /= own.sum(1, keepdims=True)
    truth = rng.integers(6, size=birds)
    looks = []
    for comb in truth:
        mine = []
        for m in range(moments):
            appears = rng.choice(6, p=moment[comb])
            for by in range(readers):
                said = CLASSES[rng.choice(6, p=own[appears])]
                mine.append(Look(from_person(said), str(by), str(m)))
        looks.append(mine)
    return truth, looks


@pytest.mark.parametrize(("moments", "readers"), [(1, 1), (1, 2), (1, 5)])
def test_stated_chances_are_calibrated_for_one_two_and_five_looks(moments, readers):
    """The expected calibration error lies below the 95th percentile of a reader that is perfectly
    calibrated, by simulation (classifier/calibration.py)."""
    rng = np.random.default_rng(moments + readers)
    truth, looks = simulated(rng, 3000, moments, readers)
    chances = np.array([together(mine) for mine in looks])
    chances /= chances.sum(1, keepdims=True)
    sure, right = chances.max(1), (chances.argmax(1) == truth).astype(float)
    assert expected_calibration_error(sure, right) < calibrated_error_limit(sure)


def test_looks_of_several_days_are_rather_too_modest_than_too_sure():
    """What is seen of one bird on several days is taken as alike beyond what is simulated here."""
    truth, looks = simulated(np.random.default_rng(5), 3000, 3, 2)
    chances = np.array([together(mine) for mine in looks])
    chances /= chances.sum(1, keepdims=True)
    right = float((chances.argmax(1) == truth).mean())
    assert right - 0.05 < chances.max(1).mean() < right
