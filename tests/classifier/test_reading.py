"""Doubts and piles: what a reading says of itself."""

import pytest

from classifier.messages import Doubt
from classifier.quality import complaints, measured, rules
from classifier.reading import HeadBox, judge, risk, wattles_from
from classifier.vocabulary import COMBS
from tests.readings import clear_reading as reading


def test_a_clear_comb_is_settled_without_doubts():
    answer = judge(reading())
    assert (answer.pile, answer.proposal, answer.doubts) == ("settled", "walnut", ())


def test_a_crest_over_an_unclear_comb_is_the_chief_doubt():
    answer = judge(reading(crest=0.95, comb=(0.01, 0.15, 0.01, 0.01, 0.01, 0.81)))
    assert answer.pile == "second_look"
    assert answer.doubts[0].code == "crest_may_fold"
    assert "single comb that the crest folds" in str(answer.doubts[0])


def test_a_fold_read_with_confidence_is_still_looked_at_again():
    answer = judge(reading(crest=0.95, comb=(0.01, 0.95, 0.01, 0.01, 0.01, 0.01)))
    assert answer.pile == "second_look"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"head": HeadBox((0.0, 0.0, 9.0, 9.0), "whole", 0.1)}, "no head found"),
        ({"readable": 0.1}, "can't be made out"),
        ({"complaints": (Doubt("blurred"),)}, "blurred"),
    ],
)
def test_what_cannot_be_read_asks_for_a_new_photo_and_proposes_nothing(change, words):
    answer = judge(reading(**change))
    assert (answer.pile, answer.proposal) == ("new_photo", None)
    assert words in str(answer.doubts[0])


def test_none_of_these_is_a_doubt_and_then_no_proposal():
    answer = judge(reading(none_of_these=0.9))
    assert answer.pile == "second_look"
    assert answer.proposal is None
    assert "V, cup, trimmed" in str(answer.doubts[0])


def test_risk_is_zero_for_certainty_and_grows_with_the_costlier_mistake():
    certain = [float(c == "walnut") for c in COMBS]
    assert risk("walnut", certain) == 0
    assert risk("single", certain) == rules()["costs"]["single"]["walnut"]


def test_every_wrong_pair_of_combs_has_a_cost():
    for taken in COMBS:
        assert set(rules()["costs"][taken]) == set(COMBS) - {taken}


def test_wattles_are_silent_with_a_beard_or_the_chance_of_one():
    sizes = {"none": 0.0, "small": 0.0, "medium": 0.1, "large": 0.9}
    sure = wattles_from(sizes, 0.1, 0.5, 0.05, 0.9)
    assert (sure.size, sure.why_not, sure.share) == ("large", None, 0.1)
    assert sure.share_90 == pytest.approx((0.04, 0.16))
    assert wattles_from(sizes, 0.1, 0.5, 0.9, 0.9).why_not == Doubt("beard_present")
    assert wattles_from(sizes, 0.1, 0.5, 0.3, 0.9).size is None
    unclear = wattles_from({**sizes, "large": 0.3}, 0.1, 0.5, 0.05, 0.9)
    assert unclear.why_not == Doubt("size_unclear")


def test_the_json_probabilities_sum_to_one():
    answer = reading(comb=tuple([1 / 6] * 6)).as_json()
    assert sum(answer["comb"].values()) == pytest.approx(1, abs=1e-12)


def test_quality_complains_of_small_dark_and_blurred_heads():
    import numpy as np
    from PIL import Image, ImageFilter

    from tests.conftest import DEMO

    clear = Image.open(DEMO / "2.jpg")
    assert complaints(measured(clear, 300)) == []
    assert complaints(measured(clear, 20))[0] == Doubt("too_small", pixels=20, least=36)
    assert complaints(measured(clear.filter(ImageFilter.GaussianBlur(16)), 300))[0] == Doubt(
        "blurred"
    )
    dark = Image.fromarray((np.asarray(clear) * 0.1).astype(np.uint8))
    assert Doubt("too_dark") in complaints(measured(dark, 300))
