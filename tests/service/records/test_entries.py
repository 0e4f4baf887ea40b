"""What a keeper writes down by hand, in the store and on the command line."""

import json
from datetime import date

import pytest
from sqlalchemy import select

from service.errors import StoreError
from service.flock.flock_csv import parse_flock
from service.records import entries
from service.records.birds import stored_flock, take_in
from service.records.tables import CountRow, DecisionRow, PenBirdRow


@pytest.fixture
def birds(store):
    with store.writing("Ada", "birds") as session:
        take_in(session, parse_flock("bird,sex\nC,cock\nD,cock\nH,hen\nk,\n"))
    return store


def test_a_bird_that_moves_leaves_its_pen(birds):
    with birds.writing("Ada", "pens") as session:
        entries.move_in(session, "north", ["C", "H"], date(2026, 1, 1))
        entries.move_in(session, "south", ["C"], date(2026, 2, 1))
    with birds.reading() as session:
        query = select(PenBirdRow.since, PenBirdRow.until).order_by(PenBirdRow.id)
        stays = session.execute(query).all()
    assert [tuple(s) for s in stays] == [
        (date(2026, 1, 1), date(2026, 2, 1)),
        (date(2026, 1, 1), None),
        (date(2026, 2, 1), None),
    ]
    with birds.writing("Ada", "out") as session:
        assert entries.move_out(session, "south", ["C"], date(2026, 3, 1)) == 1
        with pytest.raises(StoreError, match="isn't in pen"):
            entries.move_out(session, "south", ["C"], date(2026, 3, 1))


def test_a_hatch_gives_its_chicks_their_possible_parents(birds):
    with birds.writing("Ada", "hatch") as session:
        entries.move_in(session, "north", ["C", "D", "H"], date(2026, 1, 1))
        entries.enter_hatch(session, "May", "north", date(2026, 5, 1), 12, 9, ["k"])
    with birds.reading() as session:
        chick = stored_flock(session).birds[3]
    assert (chick.sire, chick.dam, chick.hatched) == ("C or D", "H", date(2026, 5, 1))


@pytest.mark.parametrize(
    ("work", "words"),
    [
        (lambda s: entries.enter_hatch(s, "May", eggs=3, chicks=4), "can't hatch from"),
        (lambda s: entries.enter_hatch(s, " "), "needs a name"),
        (lambda s: entries.move_in(s, "n", ["?"], None), "no bird with the band"),
        (lambda s: entries.move_in(s, "n", [], date(2026, 2, 1), date(2026, 1, 1)), "can't begin"),
        (lambda s: entries.enter_chicks(s, "H", "C", {"rose": 1}, "Ada"), "recorded as a hen"),
        (lambda s: entries.enter_chicks(s, "C", "H", {"red": 1}, "Ada"), "red"),
        (lambda s: entries.enter_chicks(s, "C", "H", {"rose": -1}, "Ada"), "-1"),
        (lambda s: entries.enter_sighting(s, "C", "Ada"), "nothing was seen"),
        (lambda s: entries.enter_sighting(s, "C", "Ada", wattles="huge"), "use one of small"),
        (lambda s: entries.enter_decision(s, "C", "Ada", "keep", " "), "no reason"),
        (lambda s: entries.enter_decision(s, "C", "Ada", "kill", "x"), "use one of keep"),
        (lambda s: entries.enter_decision(s, "C", "Ada", "recheck", "x"), "no day to look again"),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_is_kept(birds, work, words):
    with pytest.raises(StoreError, match=words), birds.writing("Ada", "x") as session:
        work(session)
    with birds.reading() as session:
        for table in (CountRow, DecisionRow, PenBirdRow):
            assert session.scalars(select(table)).all() == []


def test_counts_of_one_mating_add_up(birds):
    from service.records.birds import stored_counts

    with birds.writing("Ada", "chicks") as session:
        first = entries.enter_chicks(session, "C", "H", {"rose": 2}, "Ada")
        again = entries.enter_chicks(session, "C", "H", {"rose": 1, "single": 3}, "Ben")
        assert first.id == again.id
    with birds.reading() as session:
        counts = stored_counts(session, stored_flock(session))
    assert [(c.sire, c.dam, c.chicks) for c in counts] == [(0, 2, {"rose": 3, "single": 3})]


def test_everything_can_be_noted_on_the_command_line(combwright, tmp_path, monkeypatch):
    monkeypatch.setenv("COMBWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("COMBWRIGHT_DATABASE", raising=False)
    table = tmp_path / "flock.csv"
    table.write_text("bird,sex\nC,cock\nH,hen\nk,\n")
    for line in (
        ["import", table],
        ["note", "pen", "north", "--bird", "C", "--bird", "H", "--since", "2026-01-01"],
        ["note", "hatch", "May", "--pen", "north", "--hatched", "2026-05-01", "--bird", "k"],
        ["note", "chicks", "C", "H", "walnut=2", "single=3", "--test"],
        ["note", "sighting", "k", "--crest", "yes", "--wattles", "small", "--on", "2026-08-01"],
        ["note", "decision", "k", "recheck", "--reason", "too young", "--recheck", "2026-09-01"],
    ):
        run = combwright(*line)
        assert run.code == 0, run.err
    assert combwright("note", "decision", "k", "kill", "--reason", "x").code == 1
    assert combwright("note", "pen", "n", "--since", "soon").code == 2
    records = json.loads(combwright("export", "--as", "json").out)["tables"]
    assert [d["choice"] for d in records["decisions"]] == ["recheck"]
    assert [c["chicks"] for c in records["counts"]] == [2, 3]
    assert combwright("people", "--json").lines[0]["people"] == []
    assert combwright("labels", tmp_path / "bands.pdf").code == 0
    assert (tmp_path / "bands.pdf").read_bytes().startswith(b"%PDF")
