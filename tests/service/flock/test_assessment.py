"""A bird judged by its readings, its relatives and the people who looked at it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from classifier.reading import judge
from classifier.sureness import Mistake
from genetics.genotype import NAMES
from service.flock.assessment import PersonLook, agreement, item_of
from service.flock.candidates import Candidate
from service.flock.next_steps import Known, steps
from service.wording.sentences import say
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


def test_sureness_that_is_not_earned_holds_a_bird_back_and_asks_for_what_would_help():
    chances = {"R/r+ P/p+": 1.0}
    candidate = Candidate("1", dict.fromkeys(NAMES, 0.0) | chances, {"walnut": 1.0}, None, ())
    known = Known("hen", None, False, "small", photos=1, read_blind=True)
    held = item(mistake=Mistake(0.3, "frontal", False))
    assert held.pile == "second_look"
    assert [reason.code for reason in held.reasons] == ["unearned_frontal"]
    found = steps(candidate, held, known, date(2026, 10, 4))
    assert "from the side" in say(next(s for s in found if s.kind == "photo").says)
    young = item(mistake=Mistake(0.3, "young", False))
    assert not [s for s in steps(candidate, young, known, date(2026, 10, 4)) if s.kind == "photo"]
    # One photo whose sureness is earned is enough beside another's.
    readings = [judge(clear_reading(mistake=Mistake(c, "", c < 0.1))) for c in (0.3, 0.02)]
    assert item_of("1", (), tuple(readings), None, None).pile == "settled"


def frames(*earned, frontal=0.0):
    """Readings of one head, each of which has earned its sureness or not."""
    return [
        judge(clear_reading(frontal=frontal, mistake=Mistake(0.01 if one else 0.2, "", one)))
        for one in earned
    ]


def pile_of(readings):
    return item_of("17", (), tuple(readings), None, None).pile


def test_the_luckiest_of_ten_frames_settles_nothing():
    assert pile_of(frames(True)) == "settled"
    assert pile_of(frames(False)) == "second_look"
    assert pile_of(frames(True, *[False] * 9)) == "second_look"
    assert pile_of(frames(*[True] * 5, *[False] * 5)) == "settled"
    assert pile_of(frames(True, False)) == "settled"


def test_a_view_that_has_earned_it_settles_beside_one_that_has_not():
    side, front = frames(*[False] * 4), frames(True, frontal=0.9)
    assert pile_of(side) == "second_look"
    assert pile_of([*side, *front]) == "settled"
