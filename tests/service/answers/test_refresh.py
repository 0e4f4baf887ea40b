"""Answers from the records: what flows in, what is worked out again, what is told of changes."""

from datetime import UTC, date, datetime

import numpy as np
import pytest
from sqlalchemy import select

from service.answers import refresh as families
from service.answers.raters import agreement
from service.answers.refresh import answer, answers, glance
from service.flock.candidates import candidates
from service.flock.flock_csv import parse_flock
from service.flock.inference import infer_flock
from service.records.birds import bird_named, stored_flock, stored_readings, take_in
from service.records.entries import enter_hatch, enter_sighting, move_in
from service.records.intake.journal import Options, one
from service.records.intake.sources import File
from service.records.readings import row_from_person, row_from_reading
from service.records.tables import (
    AnswerRow,
    BirdRow,
    CountRow,
    HatchRow,
    MatingRow,
    PenBirdRow,
    PenRow,
    PhotoRow,
    SightingRow,
)
from tests.classifier.test_reading import reading
from tests.conftest import DEMO
from tests.service.pictures import jpeg, picture

EVEN, DAY = [1 / 6] * 6, date(2026, 10, 4)
NOW = datetime(2026, 10, 4, tzinfo=UTC)


def refresh(store, bands=None):
    return families.refresh(store, EVEN, DAY, bands)


@pytest.fixture
def demo(store):
    with store.writing("Ada", "demo") as session:
        take_in(session, parse_flock((DEMO / "flock.csv").read_text(encoding="utf-8")))
    refresh(store)
    return store


def photo_of(store, band, seed=1):
    taken = one(store, File(f"{band}.jpg", lambda: jpeg(picture(seed))), Options(band=band), set())
    return taken.sha256


def said(store, sha256, by, comb, blind=True):
    with store.writing(by, "reading") as session:
        row = session.scalar(select(PhotoRow).where(PhotoRow.sha256 == sha256))
        row.readings.append(row_from_person(by, NOW, comb, blind))


def test_kept_answers_equal_those_of_the_list(demo):
    flock = parse_flock((DEMO / "flock.csv").read_text(encoding="utf-8"))
    expected = {c.bird: c for c in candidates(flock, {}, EVEN, DAY)}
    with demo.reading() as session:
        found = answers(session)
    assert len(found) == len(expected) == 39
    for one_bird in found:
        mine = np.array(list(one_bird.genotypes.values()))
        theirs = np.array(list(expected[one_bird.bird].genotypes.values()))
        assert np.abs(mine - theirs).max() < 1e-8
        assert one_bird.conflict == expected[one_bird.bird].conflict


def test_nothing_is_worked_out_twice(demo, monkeypatch):
    def never(*_):
        raise AssertionError("worked out again")

    monkeypatch.setattr(families, "infer_flock", never)
    assert refresh(demo) == []


def test_only_the_family_that_changed_is_worked_out_again(store):
    with store.writing("Ada", "two families") as session:
        take_in(
            session,
            parse_flock(
                "bird,sire,dam,sex\nA,,,cock\nB,,,hen\nC,A,B,\nX,,,cock\nY,,,hen\nZ,X,Y,\n"
            ),
        )
    assert set(refresh(store)) == set("ABCXYZ")
    with store.writing("Ada", "comb") as session:
        bird_named(session, "C").comb = "walnut"
    assert set(refresh(store)) == set("ABC")
    with store.reading() as session:
        keys = {a.bird_id: a.key for a in session.scalars(select(AnswerRow))}
        bands = dict(session.execute(select(BirdRow.band, BirdRow.id)).all())
    assert keys[bands["A"]] == keys[bands["C"]] != keys[bands["Z"]]


def test_a_person_reading_moves_the_bird_and_its_relatives(store):
    with store.writing("Ada", "birds") as session:
        take_in(session, parse_flock("bird,sire,dam,sex\nA,,,cock\nB,,,hen\nC,A,B,\n"))
    refresh(store)
    with store.reading() as session:
        before = answer(session, "A")
    said(store, photo_of(store, "C"), "Ben", "walnut")
    assert refresh(store, ["C"])
    with store.reading() as session:
        chick, sire = answer(session, "C"), answer(session, "A")
        assert chick.combs["walnut"] > 0.8
        assert any("read by Ben (blind)" in str(e.evidence) for e in chick.ledger)
        assert sire.genotypes["r+/r+ p+/p+"] < before.genotypes["r+/r+ p+/p+"]


def test_two_people_say_more_than_one_person_twice(store):
    with store.writing("Ada", "birds") as session:
        take_in(session, parse_flock("bird\nA\nB\n"))
    for seed, (band, by) in enumerate([("A", "Ben"), ("A", "Ben"), ("B", "Ben"), ("B", "Cleo")]):
        said(store, photo_of(store, band, seed + 10), by, "walnut")
    refresh(store)
    with store.reading() as session:
        assert answer(session, "B").combs["walnut"] > answer(session, "A").combs["walnut"]


def test_counts_sightings_and_pens_flow_in(store):
    with store.writing("Ada", "birds") as session:
        take_in(
            session,
            parse_flock(
                "bird,sex,comb,hatched\nA,cock,walnut,2024-01-01\nA2,cock,single,2024-01-01\n"
                "B,hen,single,2024-01-01\nchick,,single,\n"
            ),
        )
    refresh(store)
    with store.reading() as session:
        alone = answer(session, "A").genotypes
    with store.writing("Ada", "counts") as session:
        a, b = bird_named(session, "A"), bird_named(session, "B")
        mating = MatingRow(sire_id=a.id, dam_id=b.id, purpose="test", notes="")
        mating.counts = [
            CountRow(comb=comb, chicks=chicks, by="Ada", made=NOW)
            for comb, chicks in (("walnut", 3), ("rose", 2), ("pea", 3), ("single", 2))
        ]
        session.add(mating)
    refresh(store)
    with store.reading() as session:
        counted = answer(session, "A")
        assert counted.genotypes["R/r+ P/p+"] > 0.99 > alone["R/r+ P/p+"]
        assert any(e.evidence.code == "piece_counted" for e in counted.ledger)
    with store.writing("Ada", "seen") as session:
        chick = bird_named(session, "chick")
        session.add(
            SightingRow(
                bird_id=chick.id,
                made=NOW,
                by="Ada",
                crest=True,
                beard=False,
                wattles="large",
                seen_on=date(2026, 9, 1),
            )
        )
        pen = PenRow(name="north", notes="")
        session.add(pen)
        session.flush()
        for bird in (a, bird_named(session, "A2"), b):
            session.add(PenBirdRow(pen_id=pen.id, bird_id=bird.id))
        hatch = HatchRow(name="May", pen_id=pen.id, hatched=date(2026, 5, 1), notes="")
        session.add(hatch)
        session.flush()
        chick.hatch_id, chick.comb = hatch.id, "walnut"
    refresh(store)
    with store.reading() as session:
        flock = stored_flock(session)
        chick_row = flock.birds[flock.row("chick")]
        found = answer(session, "chick")
    assert (chick_row.crest, chick_row.wattles, chick_row.wattles_on) == (
        True,
        "large",
        date(2026, 9, 1),
    )
    assert any("from A or A2 x B" in str(e.says) for e in found.ledger)
    # A2 and B are single-combed, so A is its sire; large wattles speak a little against pea.
    assert found.genotypes["R/r+ P/p+"] > 0.7


def test_what_changed_since_the_last_look_is_told(store):
    with store.writing("Ada", "birds") as session:
        take_in(session, parse_flock("bird\nA\n"))
    refresh(store)

    def look():
        with store.writing("Ada", "look") as session:
            return glance(session, "A")

    assert look() == []
    assert look() == []
    with store.writing("Ada", "comb") as session:
        bird_named(session, "A").comb = "rose"
    refresh(store)
    changed = list(map(str, look()))
    assert any(line.startswith("R/R p+/p+ from") for line in changed)
    assert "new: read by a person, rose" in changed
    assert look() == []


def test_agreement_counts_blind_readings_alone(store):
    with store.writing("Ada", "birds") as session:
        take_in(session, parse_flock("bird\nA\n"))
    for seed in range(6):
        sha256 = photo_of(store, "A", seed + 30)
        said(store, sha256, "Ada", "rose" if seed % 2 else "walnut")
        said(store, sha256, "Ben", "rose" if seed in (1, 3) else "walnut")
        said(store, sha256, "Cleo", "rose", blind=False)
    with store.reading() as session:
        found = agreement(session)
    assert [p.name for p in found.people] == ["Ada", "Ben"]
    a, b, both, alike, kappa = found.pairs[0]
    assert (a, b, both, alike) == ("Ada", "Ben", 6, 5)
    assert kappa == pytest.approx(2 / 3)
    assert found.alpha is not None


def test_of_photos_that_show_all_but_the_same_only_the_first_counts(store):
    model = reading(comb=(0.02, 0.02, 0.02, 0.02, 0.02, 0.9), model="reader-x")
    counted = {}
    for band, seeds in (("twice", (1, 1)), ("two", (2, 3))):
        for number, seed in enumerate(seeds):
            data = jpeg(picture(seed), quality=90 - 20 * number)
            file = File(f"{band}-{number}.jpg", lambda data=data: data)
            taken = one(store, file, Options(band=band), set())
            assert bool(taken.like) == (band == "twice" and number == 1)
            with store.writing("reader-x", "read") as session:
                row = session.scalar(select(PhotoRow).where(PhotoRow.sha256 == taken.sha256))
                row.readings.append(row_from_reading(model, NOW, taken.name))
        with store.reading() as session:
            counted[band] = len(stored_readings(session)[band])
    assert counted == {"twice": 1, "two": 2}


def test_a_change_made_while_a_family_is_worked_out_is_not_lost(store, monkeypatch):
    with store.writing("Ada", "birds") as session:
        take_in(session, parse_flock("bird\nA\nB\n"))
    real, meanwhile = infer_flock, []

    def slow(flock, *rest):
        if not meanwhile and flock.birds[0].bird == "A":
            meanwhile.append(1)
            with store.writing("Ben", "meanwhile") as session:
                bird_named(session, "A").comb = "rose"
        return real(flock, *rest)

    monkeypatch.setattr(families, "infer_flock", slow)
    refresh(store)
    with store.reading() as session:
        assert answer(session, "A").combs["rose"] > 0.8
    assert refresh(store) == []


def test_a_band_changed_while_families_are_worked_out_stops_nobody(store, monkeypatch):
    with store.writing("Ada", "birds") as session:
        take_in(session, parse_flock("bird,sire\nalone,\nsire,\nchick,sire\n"))
    real, meanwhile = infer_flock, []

    def slow(*given):
        if not meanwhile:
            meanwhile.append(1)
            with store.writing("Ben", "another band") as session:
                bird_named(session, "sire").band = "other"
                bird_named(session, "chick").sire = "other"
        return real(*given)

    monkeypatch.setattr(families, "infer_flock", slow)
    refresh(store)
    refresh(store, {"other"})  # as whoever gave it the band does
    with store.reading() as session:
        assert answer(session, "other") is not None
        assert answer(session, "chick") is not None
    assert refresh(store) == []


def test_an_unknown_variety_is_refused_before_anything_is_kept(store):
    from service.errors import FlockError

    with pytest.raises(FlockError, match="variety"), store.writing("Ada", "list") as session:
        take_in(session, parse_flock("bird,variety\nA,no such\n"))
    with store.reading() as session:
        assert session.scalars(select(BirdRow)).all() == []


def test_bands_mixed_up_between_two_pens_are_found_in_the_records_as_in_a_list(store):
    """The pens have no relative in common; what they have is a day."""
    text = (
        "bird,sire,dam,sex,hatched,comb,crest,genotype\n"
        "c,,,cock,2024-01-01,walnut,no,R/R P/P\nh,,,hen,2024-01-01,single,no,\n"
        "d,,,cock,2024-02-01,single,no,r+/r+ p+/p+\ne,,,hen,2024-02-01,single,no,\n"
        "1,c,h,,2025-03-01,single,no,\n2,c,h,,2025-03-01,walnut,no,\n"
        "3,d,e,,2025-03-01,walnut,no,\n4,d,e,,2025-03-01,single,no,\n"
    )
    flock = parse_flock(text)
    with store.writing("Ada", "two pens") as session:
        take_in(session, flock)
    refresh(store)
    expected = {c.bird: c for c in candidates(flock, {}, EVEN, DAY)}
    with store.reading() as session:
        found = {c.bird: c for c in answers(session)}
    for band in ("1", "3"):
        conflict = found[band].conflict
        assert conflict == expected[band].conflict
        assert conflict.culprits[0].kind == "culprit_bands"
        assert set(conflict.culprits[0].bands) == {"1", "3"}


@pytest.fixture
def large(store):
    """Grandparents, parents, 70 chicks, some of them of one of two sires, and a grandchild."""
    rows = [
        "g1,,,cock,walnut",
        "g2,,,hen,single",
        "a,g1,g2,cock,",
        "x,,,cock,rose",
        "b,,,hen,single",
    ]
    for i in range(70):
        comb = ("walnut", "", "rose", "single")[i % 4]
        rows.append(f"k{i},{'a or x' if i < 3 else 'a'},b,,{comb}")
    rows += ["h,,,hen,", "z,k9,h,,"]
    text = "bird,sire,dam,sex,comb,crest\n" + "".join(f"{row},no\n" for row in rows)
    with store.writing("Ada", "birds") as session:
        take_in(session, parse_flock(text))
    refresh(store)
    return store


def test_a_reading_in_a_large_family_is_worked_in_without_the_whole(large, monkeypatch):
    sha256 = photo_of(large, "k9", 3)
    refresh(large, ["k9"])
    moved: set[str] = set()
    with monkeypatch.context() as held:
        held.setattr(families, "infer_flock", None)
        for by, comb in (("Ada", "rose"), ("Ben", "rose"), ("Cleo", "pea")):
            # Not blind: a blind reading would also change what is estimated of the reader.
            said(large, sha256, by, comb, blind=False)
            told = refresh(large, ["k9"])
            assert "k9" in told
            moved |= set(told)
    assert "z" in moved  # its chick
    with large.reading() as session:
        quick = {c.bird: c for c in answers(session)}
    large.held_families.clear()
    assert len(refresh(large)) == 77
    with large.reading() as session:
        whole = {c.bird: c for c in answers(session)}
    for band in ("k9", "a", "b", "z", "g1", "k3", "k1"):
        mine = np.array(list(quick[band].genotypes.values()))
        theirs = np.array(list(whole[band].genotypes.values()))
        assert np.abs(mine - theirs).max() < 1e-3, band
    for band in ("k9", "z"):
        mine = np.array(list(quick[band].genotypes.values()))
        theirs = np.array(list(whole[band].genotypes.values()))
        assert np.abs(mine - theirs).max() < 1e-8, band
        assert quick[band].conflict == whole[band].conflict


def test_what_is_more_than_a_reading_is_worked_out_as_a_whole(large):
    with large.writing("Ada", "stranger") as session:
        bird_named(session, "new")
    said(large, photo_of(large, "k5", 4), "Ada", "rose")
    assert "k5" in large.held_families
    assert len(refresh(large, ["k5"])) < 77
    with large.writing("Ada", "comb") as session:
        bird_named(session, "k6").comb = "single"
    assert len(refresh(large, ["k6"])) == 77


def test_an_undone_reading_is_worked_out_again(large):
    from service.records.audit_log import acts, undo

    with large.reading() as session:
        before = answer(session, "k5").genotypes
    said(large, photo_of(large, "k5", 4), "Ada", "rose")
    refresh(large, ["k5"])
    with large.reading() as session:
        batch = acts(session)[0].name
        assert answer(session, "k5").genotypes != before
    with large.writing("Ada", "undo") as session:
        undo(session, batch)
    refresh(large, ["k5"])
    with large.reading() as session:
        now = answer(session, "k5").genotypes
    assert max(abs(now[g] - before[g]) for g in before) < 1e-8


def test_a_sighting_in_a_large_family_is_more_than_a_reading(large):
    """What is seen of crest and beard moves what is inferred of them: the family is done anew."""
    said(large, photo_of(large, "k5", 4), "Ada", "rose", blind=False)
    refresh(large, ["k5"])
    assert "k5" in large.held_families
    with large.reading() as session:
        before = answer(session, "k5").beard
    with large.writing("Ada", "seen") as session:
        enter_sighting(session, "k5", "Ada", beard=True, seen_on=DAY)
    refresh(large, ["k5"])
    with large.reading() as session:
        after = answer(session, "k5").beard
    assert after["mb+/mb+"] < 0.05 < 0.5 < before["mb+/mb+"]


def test_a_bird_of_the_pen_that_hatched_with_the_chicks_is_no_parent_of_theirs(store):
    """Of the pen's birds only those that hatched before the chicks' day may be their parents."""
    with store.writing("Ada", "birds") as session:
        text = (
            "bird,sex,hatched\nold,cock,2025-01-01\ntwin,cock,2026-05-01\nH,hen,2025-01-01\nx,,\n"
        )
        take_in(session, parse_flock(text))
        move_in(session, "north", ["old", "twin", "H"], None)
        enter_hatch(session, "May", "north", date(2026, 5, 1), None, None, ["x"])
        flock = stored_flock(session)
    assert flock.sire[flock.row("x")] == flock.row("old")
    assert flock.dam[flock.row("x")] == flock.row("H")
