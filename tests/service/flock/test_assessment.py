"""A bird judged by its readings, its relatives and the people who looked at it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from classifier.reading import judge
from service.flock.assessment import PersonLook, agreement, item_of
from tests.readings import clear_reading


def look(by: str, comb: str, blind: bool = True) -> PersonLook:
    return PersonLook(by, comb, blind)


def item(*people: PersonLook, **changes):
    reading = judge(clear_reading(**changes))
    return item_of("1", (), (reading,), None, None, people)


UNREADABLE = {"readable": 0.02, "head": replace(clear_reading().head, source="whole", score=0.0)}


def test_two_blind_readers_who_agree_settle_a_bird_whatever_its_photo_is_like():
    assert item(**UNREADABLE).pile == "new_photo"
    settled = item(look("Ada", "rose"), look("Ben", "rose"), **UNREADABLE)
    assert (settled.pile, settled.proposal, settled.reasons) == ("settled", "rose", ())
    assert settled.by == ("Ada", "Ben")


@pytest.mark.parametrize(
    "people",
    [
        (look("Ada", "rose"),),
        (look("Ada", "rose"), look("Ben", "rose", blind=False)),
        (look("Ada", "rose"), look("Ben", "")),
        (look("Ada", "rose"), look("Ben", "walnut")),
        (look("Ada", "rose"), look("Ben", "rose"), look("Cy", "single")),
    ],
)
def test_one_reader_or_two_who_differ_settle_nothing(people):
    assert agreement(people) == ("", ())
    assert item(*people, **UNREADABLE).pile != "settled"


def test_readers_who_differ_send_even_a_clear_photo_to_a_second_look():
    assert item().pile == "settled"
    told = item(look("Ada", "walnut"), look("Ben", "single"))
    assert told.pile == "second_look"
    assert [reason.code for reason in told.reasons] == ["rule_disagree"]


def test_blade_and_triple_agree_as_pea_and_a_fold_with_a_single_comb():
    assert agreement((look("Ada", "triple_pea"), look("Ben", "single_blade_pea")))[0] == "pea"
    assert agreement((look("Ada", "crest_folded_single"), look("Ben", "single")))[0] == "single"


def test_another_comb_is_an_answer_without_a_chance_of_ours():
    told = item(look("Ada", "none_of_these"), look("Ben", "none_of_these"))
    assert (told.pile, told.proposal, told.confidence) == ("settled", "none_of_these", 0.0)
