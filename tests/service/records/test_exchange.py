"""Records out and in again: flock lists, spreadsheets, JSON, backups."""

import csv
import io
import json
import os
import zipfile

import pytest
from sqlalchemy import select, text

from service.errors import FlockError, StoreError
from service.flock.flock_csv import connect_list, parse_flock
from service.installation import open_store
from service.records.backup import backup, restore, verify_backup
from service.records.birds import bird_named, take_in
from service.records.exchange.exporting import export_as
from service.records.exchange.flocklist import csv_text, table
from service.records.exchange.importing import records_from, sheet_from
from service.records.exchange.mapping import (
    Choices,
    choose_columns,
    guess_columns,
    map_sheet,
)
from service.records.exchange.sheet import sheet_of_rows
from service.records.exchange.sheets import read_sheet, write_ods, write_xlsx
from service.records.intake.journal import Options, one
from service.records.intake.sources import File
from service.records.tables import BirdRow, PhotoRow
from service.records.verify import verify
from tests.conftest import DEMO
from tests.service.pictures import jpeg, picture

LIST = """bird,sire,dam,sex,hatched,comb,comb_by,crest,beard,wattles,genotype,photo,notes,leg colour
007,,,cock,2024-03-01,walnut,Ada,yes,no,small,R/R P/P,1.jpg;1-2.jpg,"old, ""kind""
and tame",slate
C 2,,,cock,2024-03-01,,,,,,,,=1+1,
2,,,hen,2024-03-02,single,,no,,,,,,
17,007 or C 2,2,,2025-04-05,pea,Ada,,,,,,äöü,blue
"""


@pytest.fixture
def full(store):
    """A store with birds, photos and a reading."""
    with store.writing("Ada", "list") as session:
        take_in(session, parse_flock(LIST))
    for i in range(3):
        one(store, File(f"{i}.jpg", lambda i=i: jpeg(picture(i))), Options(band="17"), set())
    return store


def elsewhere(settings, tmp_path):
    """A second, empty store; on SQLite, whatever the first one is."""
    from service.settings import Settings

    home = tmp_path / "other"
    return open_store(Settings(home, f"sqlite:///{home / 'flock.sqlite3'}"))


@pytest.mark.parametrize("form", ["csv", "xlsx", "ods"])
def test_out_in_and_out_again_is_the_same(full, settings, tmp_path, form):
    first = export_as(full, form)
    path = tmp_path / f"flock.{form}"
    path.write_bytes(first)
    other = elsewhere(settings, tmp_path)
    with other.writing("Ben", "import") as session:
        sheet = sheet_from(path)
        listed = map_sheet(sheet, Choices(choose_columns([], sheet.headings)))
        take_in(session, connect_list(listed, str(path)))
    assert export_as(other, "csv") == export_as(full, "csv")
    if form == "csv":
        assert export_as(other, form) == first


def test_the_written_list_says_what_was_read(full):
    kept = parse_flock(export_as(full, "csv").decode())
    given = parse_flock(LIST)
    assert [(b.bird, b.sire, b.photos, b.extra, b.hatched) for b in kept.birds] == [
        (b.bird, b.sire, b.photos, b.extra, b.hatched) for b in given.birds
    ]


def test_the_demo_list_comes_back_byte_for_byte(store):
    text = (DEMO / "flock.csv").read_text(encoding="utf-8")
    with store.writing("Ada", "list") as session:
        take_in(session, parse_flock(text))
    once = export_as(store, "csv").decode()
    assert parse_flock(once).birds == parse_flock(csv_text(table(parse_flock(text).birds))).birds


def test_everything_as_json_comes_back_byte_for_byte(full, settings, tmp_path):
    first = export_as(full, "json")
    path = tmp_path / "all.json"
    path.write_bytes(first)
    with pytest.raises(StoreError, match="holds records already"):
        records_from(full, path, replace=False, by="Ada")
    assert records_from(full, path, replace=True, by="Ada") > 10
    assert export_as(full, "json") == first
    with full.writing("Ada", "goes on") as session:  # keys go on after those brought back
        take_in(session, parse_flock("bird\n99\n"))


def test_json_whose_photos_are_missing_is_refused(full, settings, tmp_path):
    path = tmp_path / "all.json"
    path.write_bytes(export_as(full, "json"))
    with pytest.raises(StoreError, match="3 photos"):
        records_from(elsewhere(settings, tmp_path), path, replace=False, by="Ada")


def content(store):
    """Everything but which records they are."""
    found = json.loads(export_as(store, "json"))
    assert len(found.pop("identity")) == 32
    return found


def test_a_backup_brings_everything_back(full, settings, tmp_path):
    path = tmp_path / "flock.backup"
    assert backup(full, path) == 3
    assert len(verify_backup(path)) == 3
    other = elsewhere(settings, tmp_path)
    assert restore(other, path) == 3
    assert content(other) == content(full)
    assert verify(other).clean
    with pytest.raises(StoreError, match="holds records already"):
        restore(other, path)
    with full.writing("Ada", "more") as session:
        take_in(session, parse_flock("bird\n99\n"))
    assert restore(full, path, replace=True) == 3
    assert content(other) == content(full)


@pytest.mark.parametrize("part", [0.1, 0.5, 0.9])
def test_a_damaged_backup_is_found_out_and_changes_nothing(full, tmp_path, part):
    path = tmp_path / "flock.backup"
    backup(full, path)
    data = bytearray(path.read_bytes())
    data[int(len(data) * part)] ^= 0xFF
    path.write_bytes(data)
    before = export_as(full, "json")
    with pytest.raises(StoreError):
        restore(full, path, replace=True)
    assert export_as(full, "json") == before


def test_a_backup_cut_off_or_of_something_else_is_refused(full, tmp_path):
    path = tmp_path / "flock.backup"
    backup(full, path)
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(StoreError):
        verify_backup(path)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("x", "y")
    with pytest.raises(StoreError, match="damaged"):
        verify_backup(path)


def test_a_restore_that_fails_on_its_way_leaves_the_old_records(full, tmp_path, monkeypatch):
    path = tmp_path / "flock.backup"
    backup(full, path)
    with full.writing("Ada", "more") as session:
        take_in(session, parse_flock("bird\n99\n"))
    before = export_as(full, "json")

    def fails(*_):
        raise StoreError("the disk is full")

    monkeypatch.setattr("service.records.backup.restart", fails)
    with pytest.raises(StoreError):
        restore(full, path, replace=True)
    monkeypatch.undo()
    assert export_as(full, "json") == before
    assert verify(full).clean


def test_columns_of_other_lists_are_understood():
    rows = [
        ["Ring No.", "Father", "Gender", "Date of birth", "Colour", "Crested"],
        ["1", "", "Rooster", "3.5.2024", "red", "x"],
        ["2", "?", "pullet", "2024-05-04", "", "n"],
    ]
    assert guess_columns(rows[0]) == {
        "Ring No.": "bird",
        "Father": "sire",
        "Gender": "sex",
        "Date of birth": "hatched",
        "Crested": "crest",
    }
    sheet = sheet_of_rows(rows, "list.xlsx")
    listed = map_sheet(sheet, Choices(choose_columns([], sheet.headings)))
    flock = connect_list(listed, "list.xlsx")
    first, second = flock.birds
    assert (first.sex, first.hatched.isoformat(), first.crest) == ("cock", "2024-05-03", True)
    assert (second.sire, second.sex, second.crest) == ("", "hen", False)
    assert first.extra == {"Colour": "red"}


def test_a_column_can_be_mapped_by_hand():
    rows = [["Name", "Ring", "Mum"], ["Bella", "5", ""], ["Chick", "6", "5"]]
    columns = choose_columns(["Mum=dam", "Ring=bird"], rows[0])
    sheet = sheet_of_rows(rows, "list.ods")
    flock = connect_list(map_sheet(sheet, Choices(columns)), "list.ods")
    assert flock.dam == (-1, 0)
    assert flock.birds[0].extra == {"Name": "Bella"}
    for wrong, words in (
        ("Nam=bird", "no column 'Nam'"),
        ("Ring=leg", "'leg' is no column of ours"),
    ):
        with pytest.raises(FlockError, match=words):
            choose_columns([wrong], rows[0])
    with pytest.raises(FlockError, match="no column is taken for the band"):
        map_sheet(sheet, Choices())


@pytest.mark.parametrize("write", [write_xlsx, write_ods])
def test_spreadsheets_keep_every_cell_as_text(write):
    rows = [["bird", "notes"], ["007", "=SUM(A1)"], ["1e5", "line\nbreak"], ["2024-05-03", " ä  b"]]
    name = "x.xlsx" if write is write_xlsx else "x.ods"
    found = read_sheet(write(rows), name)
    assert found[:2] == rows[:2]
    assert [r[0] for r in found] == [r[0] for r in rows]


def test_numbers_and_dates_of_a_real_workbook_are_read():
    import datetime

    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["bird", "hatched", "crest", "weight"])
    book.active.append([17, datetime.datetime(2026, 5, 3), True, 2.5])
    book.active.append([None, None, None, None])
    buffer = io.BytesIO()
    book.save(buffer)
    assert read_sheet(buffer.getvalue(), "x.xlsx")[1] == ["17", "2026-05-03", "yes", "2.5"]
    with pytest.raises(FlockError, match="not a spreadsheet"):
        read_sheet(b"no", "x.xlsx")


def test_an_import_on_the_command_line_is_all_or_nothing(combwright, tmp_path, monkeypatch):
    monkeypatch.setenv("COMBWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("COMBWRIGHT_DATABASE", raising=False)
    good = tmp_path / "good.csv"
    good.write_text("Ring;Sex\n1;cock\n2;hen\n")
    assert combwright("import", good).code == 0
    bad = tmp_path / "bad.csv"
    bad.write_text("bird,sire\n3,1\n4,2\n")
    run = combwright("import", bad)
    assert (run.code, run.err.count("\n")) == (1, 1)
    assert "recorded as a hen" in run.err
    out = combwright("export")
    assert [line.split(",")[0] for line in out.out.splitlines()] == ["bird", "1", "2"]
    saved = tmp_path / "b.zip"
    assert combwright("backup", saved).code == 0
    assert combwright("verify", saved).code == 0
    assert combwright("backup", saved).code == 2
    trail = combwright("trail", "--json").lines[0]
    assert combwright("undo", trail[0]["batch"][:8]).code == 0
    assert combwright("export").out.splitlines()[1:] == []
    assert combwright("restore", saved, "--replace").code == 0
    assert len(combwright("export").out.splitlines()) == 3
    assert combwright("verify").code == 0


def test_photos_and_birds_of_a_backup_are_joined(full, settings, tmp_path):
    path = tmp_path / "flock.backup"
    backup(full, path)
    other = elsewhere(settings, tmp_path)
    restore(other, path)
    with other.reading() as session:
        bird = session.scalar(select(BirdRow).where(BirdRow.band == "17"))
        assert len(bird.photos) == 3
        assert session.scalar(select(PhotoRow.name).order_by(PhotoRow.id)) == "0.jpg"


FORMULAS = ("=1+1", "+49 170", "-5", "@SUM(A1)", "\t=x", "'=1", "''-2", "'plain", "plain")


def test_no_cell_of_a_csv_file_is_a_formula_and_all_come_back_unchanged(store, settings, tmp_path):
    """OWASP, 'CSV Injection': cells that begin with = + - @ or a tab are run by spreadsheets."""
    with store.writing("Ada", "birds") as session:
        for number, words in enumerate(FORMULAS):
            bird_named(session, f"b{number}").notes = words.strip()
    written = export_as(store, "csv").decode()
    for row in csv.reader(io.StringIO(written)):
        for cell in row:
            assert not cell.startswith(("=", "+", "-", "@", "\t", "\r")), cell
    path = tmp_path / "flock.csv"
    path.write_text(written)
    other = elsewhere(settings, tmp_path)
    sheet = sheet_from(path)
    with other.writing("Ada", "back") as session:
        listed = map_sheet(sheet, Choices(guess_columns(sheet.headings)))
        take_in(session, connect_list(listed, "flock.csv"))
    with other.reading() as session:
        notes = session.scalars(select(BirdRow.notes).order_by(BirdRow.id)).all()
    assert notes == [words.strip() for words in FORMULAS]
    assert export_as(other, "csv").decode() == written


@pytest.mark.parametrize("part", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("suffix", ["ods", "xlsx"])
def test_a_spreadsheet_that_breaks_midway_is_refused_and_not_cut_short(tmp_path, suffix, part):
    rows = [["bird", "notes"], *([f"b{i}", f"note {i}"] for i in range(400))]
    whole = write_ods(rows) if suffix == "ods" else write_xlsx(rows)
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        members = {i.filename: archive.read(i) for i in archive.infolist()}
    name = "content.xml" if suffix == "ods" else "xl/worksheets/sheet1.xml"
    members[name] = members[name][: int(len(members[name]) * part)]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for member, data in members.items():
            archive.writestr(member, data)
    with pytest.raises(FlockError):
        read_sheet(out.getvalue(), f"list.{suffix}")


def test_notes_of_earlier_versions_are_exported_without_what_no_sheet_can_hold(store):
    with store.engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO birds (band, sire, dam, sex, comb, comb_by, wattles, genotype, notes,"
                " variety, status, photo, extra) VALUES"
                " ('7', '', '', '', '', '', '', '', 'bell \x07', '', '', '', '{}')"
            )
        )
    for form in ("xlsx", "ods"):
        assert [
            cell.strip() for row in read_sheet(export_as(store, form), f"a.{form}")[1:]
            for cell in (row[0], row[-1])
        ] == ["7", "bell"]  # fmt: skip


def test_a_backup_that_was_broken_off_is_swept_by_the_next(full, tmp_path):
    left = tmp_path / ".flock.zip.999999999.part"
    left.write_bytes(b"half")
    mine = tmp_path / f".flock.zip.{os.getppid()}.part"
    mine.write_bytes(b"another that is being written")
    backup(full, tmp_path / "flock.zip")
    assert not left.exists()
    assert mine.exists()
