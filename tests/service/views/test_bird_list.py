"""The list of birds: found, narrowed down, ordered; on every database that there is."""

from __future__ import annotations

from datetime import date

import pytest

from service.actions.desk import Desk
from service.actions.flock import decide, move_into_pen, note_hatch
from service.actions.lists import import_list
from service.actions.observations import note_sighting
from service.views.assigning import count_loose, loose_photos
from service.views.at_hand import birds_at_hand
from service.views.bird_list import (
    Wanted,
    bands_wanted,
    count_birds,
    leaving,
    lines,
    unread_count,
    with_due_day,
)
from service.views.buyer import for_buyer
from service.views.flock_sheet import flock_sheet
from service.views.progress import by_year, small_multiples
from service.views.walk import birds_on_walk

DAY = date(2026, 10, 4)
LIST = b"""bird,sire,dam,sex,hatched,comb,comb_by,crest,genotype
1,,,cock,2024-04-02,walnut,Ada,yes,R/R P/P
2,,,hen,2024-04-03,single,Ada,no,r+/r+ p+/p+
10,1,2,hen,2025-04-01,,,yes,
9,1,2,cock,2025-04-01,,,,
"""


@pytest.fixture
def flock(store):
    desk = Desk(store, (1 / 6,) * 6, "Ada", DAY)
    import_list(desk, LIST, "flock.csv")
    move_into_pen(desk, "North", ["1", "2"], date(2024, 12, 1))
    note_hatch(desk, "Spring", "North", date(2025, 4, 1), 9, 2, ["9", "10"])
    note_sighting(desk, "10", crest=False)
    decide(desk, "9", "recheck", "too young", date(2026, 9, 1))
    decide(desk, "2", "layer or pet home", "old")
    return store


def test_birds_are_narrowed_down(flock):
    with flock.reading() as session:
        found = {
            name: bands_wanted(session, wanted)
            for name, wanted in {
                "all": Wanted(),
                "by band": Wanted(order="band"),
                "youngest": Wanted(order="hatched"),
                "by risk": Wanted(order="risk"),
                "band": Wanted(band="0"),
                "hatch": Wanted(hatch=1),
                "pen": Wanted(pen=1),
                "decided": Wanted(decision="recheck"),
                "undecided": Wanted(decision="none"),
                "crested": Wanted(crest="yes"),
                "not crested": Wanted(crest="no"),
                "crest not noted": Wanted(crest="none"),
                "unread": Wanted(unread=True),
                "due": Wanted(due=DAY),
                "settled": Wanted(pile="settled"),
                "in conflict": Wanted(conflicts=True),
            }.items()
        }
        assert count_birds(session, Wanted(hatch=1)) == 2
    assert found == {
        "all": ["1", "2", "10", "9"],
        "by band": ["1", "2", "9", "10"],
        "youngest": ["10", "9", "2", "1"],
        "by risk": ["1", "2", "10", "9"],
        "band": ["10"],
        "hatch": ["10", "9"],
        "pen": ["1", "2"],
        "decided": ["9"],
        "undecided": ["1", "10"],
        "crested": ["1"],
        "not crested": ["2", "10"],
        "crest not noted": ["9"],
        "unread": ["10", "9"],
        "due": ["9"],
        "settled": [],
        "in conflict": [],
    }


def test_what_was_seen_stands_apart_from_what_relatives_make_likely(flock):
    with flock.reading() as session:
        listed = {line.band: line for line in lines(session, Wanted(), 10)}
        assert unread_count(session) == 2
        assert with_due_day(session, DAY) == [("9", date(2026, 9, 1), "too young")]
        assert leaving(session) == ("2",)
    assert (listed["1"].seen, listed["1"].listed) == (True, ("walnut", "Ada"))
    assert not listed["10"].seen
    assert listed["10"].likely[0] == "walnut"
    assert listed["10"].genotype[0] == "R/r+ P/p+"
    assert (listed["10"].crest, listed["10"].hatch) == (False, "Spring")
    assert listed["9"].decision.choice == "recheck"


def test_other_views_of_the_same_birds(flock):
    with flock.reading() as session:
        assert birds_at_hand(session) == {
            "cock": ["1"],
            "F1 hen": ["10"],
            "F1 cock": ["9"],
        }
        years = by_year(session)
        assert [(y.year, y.birds) for y in years] == [(2024, 2), (2025, 2)]
        assert years[1].rose == pytest.approx(0.5, abs=0.01)
        assert years[0].true_breeding == pytest.approx(0.5, abs=0.01)
        smalls, count = small_multiples(session, 1, 10)
        assert (count, [s.band for s in smalls]) == (2, ["10", "9"])
        told = for_buyer(session, 1, DAY)
        assert told.combs["walnut"] > 0.9
        assert {m.code for m in told.sentences} >= {"buyer_not_true_breeding", "buyer_no_single"}
        walked = {w.band: (w.crest, w.beard) for w in birds_on_walk(session, "all", 0, DAY)}
        assert walked["10"] == (False, None)
        assert (count_loose(session), loose_photos(session, 9)) == (0, [])
        header, *rows = flock_sheet(session)
        assert rows[3][header.index("found: decision")] == "recheck"
        assert rows[2][header.index("found: genotype")] == ""  # nobody has seen it
