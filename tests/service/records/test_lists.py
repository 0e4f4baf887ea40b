"""Breeders' own lists: understood, looked over, refused with all that is wrong, made pens of."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import select

from service.actions.desk import Desk
from service.actions.lists import export_flock, import_list, preview_list, undo
from service.errors import FlockError, ListProblems, NotFound
from service.records.backup import dump_records
from service.records.exchange.importing import sheet_of
from service.records.exchange.kept_lists import forget_list, keep_list, kept_list
from service.records.exchange.mapping import FOUND, Choices, guess_columns
from service.records.exchange.sheets import write_ods, write_xlsx
from service.records.tables import BirdRow, HatchRow, PenBirdRow, PenRow
from service.wording.sentences import say
from tests.service.pictures import jpeg, picture

EVEN = (1 / 6,) * 6
GERMAN = """Zuchtbuch 2026 - Walnuss;;;;;;
;;;;;;
Ringnummer;Vater;Mutter;Geschlecht;Schlupfdatum;Kammform;Haube
7;;;1,0;03.05.2024;Walnuss;ja
8;;;0.1;3.5.24;Einfachkamm;nein
9;7;8;♀;14.04.2026;?;k.A.
10;7;8;Junghahn;14. April 2026;Erbsenkamm;ohne
"""


@pytest.fixture
def desk(store) -> Desk:
    return Desk(store, EVEN, "Ada", date(2026, 10, 4))


def choices(data: bytes, name: str = "list.csv", **more) -> Choices:
    return Choices(guess_columns(sheet_of(data, name).headings), **more)


def birds(store) -> dict[str, BirdRow]:
    with store.reading() as session:
        return {row.band: row for row in session.scalars(select(BirdRow))}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_a_german_list_below_a_title_is_understood(desk, encoding):
    text = GERMAN.replace("♀", "Henne") if encoding == "cp1252" else GERMAN
    act, count = import_list(desk, text.encode(encoding), "Zuchtbuch.csv")
    assert count == 4
    found = birds(desk.store)
    assert [(b.band, b.sex, f"{b.hatched}", b.comb, b.crest) for b in found.values()] == [
        ("7", "cock", "2024-05-03", "walnut", True),
        ("8", "hen", "2024-05-03", "single", False),
        ("9", "hen", "2026-04-14", "", None),
        ("10", "cock", "2026-04-14", "pea", False),
    ]
    assert (found["9"].sire, found["9"].dam) == ("7", "8")
    undo(desk, act.name)
    assert birds(desk.store) == {}


@pytest.mark.parametrize(("write", "suffix"), [(write_xlsx, "xlsx"), (write_ods, "ods")])
def test_a_spreadsheet_is_taken_in_at_every_door_as_a_csv_is(desk, write, suffix):
    rows = [line.split(";") for line in GERMAN.splitlines()]
    import_list(desk, write(rows), f"Zuchtbuch.{suffix}")
    assert list(birds(desk.store)) == ["7", "8", "9", "10"]


def test_everything_that_is_wrong_is_told_at_once_under_the_lists_own_headings(desk):
    bad = """Ring;Vater;Mutter;Geschlecht;Schlupf
7;;;Hahn;03.05.2024
7;;;Hahn;03.05.2024
8;;;Zwitter;31.02.2024
9;77;8;Henne;14.04.2026
;;;Henne;
"""
    with pytest.raises(ListProblems) as told:
        import_list(desk, bad.encode(), "list.csv")
    said = [say(problem) for problem in told.value.problems]
    assert len(said) == 5
    for part in (
        "line 3, column Ring: '7' is already on line 2",
        "line 4, column Geschlecht: 'Zwitter' is not allowed here",
        "line 4, column Schlupf: '31.02.2024' is not a date",
        "line 6, column Ring: '' is empty",
        "line 5, column Vater: '77' has no row of its own",
    ):
        assert any(part in one for one in said), part
    assert birds(desk.store) == {}


def test_days_that_could_be_read_in_two_ways_are_asked_about(desk):
    open_days = b"bird,hatched\n1,3/4/2026\n2,5/6/2026\n"
    preview = preview_list(desk.store, sheet_of(open_days, "l.csv"), choices(open_days))
    assert preview.dates_open
    assert [f"{b.hatched}" for b in preview.birds] == ["2026-04-03", "2026-06-05"]
    american = choices(open_days, dates="month")
    preview = preview_list(desk.store, sheet_of(open_days, "l.csv"), american)
    assert not preview.dates_open
    assert [f"{b.hatched}" for b in preview.birds] == ["2026-03-04", "2026-05-06"]
    # One day that can be read in one way only tells of all the others.
    told = b"bird,hatched\n1,3/4/2026\n2,4/14/2026\n"
    preview = preview_list(desk.store, sheet_of(told, "l.csv"), choices(told))
    assert not preview.dates_open
    assert [f"{b.hatched}" for b in preview.birds] == ["2026-03-04", "2026-04-14"]


def test_pens_and_hatches_are_made_of_a_lists_columns_if_its_keeper_says_so(desk):
    listed = b"bird,sex,hatched,pen\n1,cock,2024-05-03,North\n2,hen,2024-05-03,North\n"
    import_list(desk, listed, "list.csv", choices(listed, pens="lives", hatches=True))
    again = import_list(desk, listed, "list.csv", choices(listed, pens="lives", hatches=True))
    assert again[1] == 2
    with desk.store.reading() as session:
        assert session.scalars(select(PenRow.name)).all() == ["North"]
        assert len(session.scalars(select(PenBirdRow)).all()) == 2  # once, though told twice
        (hatch,) = session.scalars(select(HatchRow)).all()
        assert (hatch.name, hatch.pen_id) == ("2024-05-03", None)
    chicks = b"bird,hatched,pen\n3,2026-04-03,North\n"
    import_list(desk, chicks, "chicks.csv", choices(chicks, pens="eggs"))
    with desk.store.reading() as session:
        hatch = session.scalar(select(HatchRow).where(HatchRow.name == "2026-04-03 North"))
        assert hatch.pen_id is not None


def test_birds_only_named_as_parents_are_taken_in_if_that_is_wanted(desk):
    listed = b"bird,sire,dam\n1,A or B,H\n2,A,H\n"
    preview = preview_list(desk.store, sheet_of(listed, "l.csv"), choices(listed))
    assert set(preview.parents) == {"A", "B", "H"}
    assert len(preview.problems) == 5
    import_list(desk, listed, "l.csv", choices(listed, parents=True))
    found = birds(desk.store)
    assert [(band, found[band].sex) for band in "ABH"] == [
        ("A", "cock"),
        ("B", "cock"),
        ("H", "hen"),
    ]


def test_a_spreadsheet_of_the_old_kind_and_no_text_at_all_are_told_apart(desk):
    with pytest.raises(FlockError, match="of the old kind"):
        sheet_of(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600), "list.xls")
    with pytest.raises(FlockError, match="isn't UTF-8"):
        sheet_of(jpeg(picture(1)), "list.csv")


def test_what_was_found_is_written_out_and_isnt_taken_for_facts_of_a_list(desk):
    from service.actions.flock import decide
    from service.records.intake.journal import Options, one
    from service.records.intake.sources import File
    from service.records.readings import row_from_person
    from service.records.tables import PhotoRow

    import_list(desk, b"bird,sex\n1,cock\n2,hen\n", "list.csv")
    taken = one(desk.store, File("a.jpg", lambda: jpeg(picture(1))), Options(band="1"), set())
    decide(desk, "1", "keep", "sound")
    assert taken.band == "1"
    with desk.store.writing("Ada", "looks") as session:
        photo = session.scalar(select(PhotoRow))
        for by in ("Ada", "Ben"):
            photo.readings.append(row_from_person(by, photo.taken_in, "rose", blind=True))
    written = export_flock(desk.store, "csv").decode()
    header, first, *_ = written.splitlines()
    assert header.endswith(",".join(FOUND))
    assert "keep" in first
    before = dump(desk)
    import_list(desk, written.encode(), "flock.csv")
    assert dump(desk) == before  # the same facts again, and nothing of what was found


def dump(desk) -> object:
    """The birds as they are kept."""
    import json

    with desk.store.reading() as session:
        return json.loads(dump_records(session))["tables"]["birds"]


def test_a_list_waits_to_be_looked_over_and_is_forgotten(tmp_path):
    token = keep_list(tmp_path, b"bird\n1\n", "äö.csv")
    assert kept_list(tmp_path, token) == (b"bird\n1\n", "äö.csv")
    assert oct((tmp_path / "lists").stat().st_mode & 0o777) == "0o700"
    forget_list(tmp_path, token)
    for gone in (token, "../flock.sqlite3", "x" * 32):
        with pytest.raises(NotFound):
            kept_list(tmp_path, gone)
