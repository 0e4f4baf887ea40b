"""flock.csv: read in full, or refused with line, column and value."""

import pytest

from service.errors import FlockError
from service.flock.flock_csv import load_flock, parse_flock

HEAD = "bird,sire,dam,sex,hatched,comb,crest,beard,genotype,photo,colour\n"


def test_a_good_list_is_read_with_unknown_columns_kept():
    flock = parse_flock(
        HEAD
        + "1,,,cock,2024-01-01,walnut,yes,no,R/? P/?,a.jpg; b.jpg,buff\n"
        + "2,,,hen,,,,,,,\n"
        + "3,1,2,,2025-02-03,pea,,,,,grey\n"
    )
    first, _, third = flock.birds
    assert first.photos == ("a.jpg", "b.jpg")
    assert first.crest is True
    assert first.extra == {"colour": "buff"}
    assert (flock.sire[2], flock.dam[2]) == (0, 1)
    assert third.comb == "pea"


def test_columns_may_stand_in_any_order_and_byte_order_marks_are_fine(tmp_path):
    path = tmp_path / "flock.csv"
    path.write_bytes("﻿sex,bird\nhen,7\n".encode())
    assert load_flock(path).birds[0].bird == "7"


@pytest.mark.parametrize(
    ("rows", "line", "column", "value"),
    [
        ("1,,,,,,,,,,\n1,,,,,,,,,,\n", 3, "bird", "1"),
        ("1,,,,,strawberry,,,,,\n", 2, "comb", "strawberry"),
        ("1,,,rooster,,,,,,,\n", 2, "sex", "rooster"),
        ("1,,,,13/4/25,,,,,,\n", 2, "hatched", "13/4/25"),
        ("1,,,,,,maybe,,,,\n", 2, "crest", "maybe"),
        ("1,,,,,,,,R/R,,\n", 2, "genotype", "R/R"),
        ("1,9,,,,,,,,,\n", 2, "sire", "9"),
        ("1,,,hen,,,,,,,\n2,1,,,,,,,,,\n", 3, "sire", "1"),
        ("1,2,,cock,,,,,,,\n2,1,,cock,,,,,,,\n", 2, "sire", "2"),
        (",,,,,,,,,,\nx,,,,,wattle,,,,,\n", 3, "comb", "wattle"),
    ],
)
def test_a_bad_row_names_line_column_and_value(rows, line, column, value):
    with pytest.raises(FlockError) as error:
        parse_flock(HEAD + rows)
    message = str(error.value)
    assert f"line {line}, column {column}" in message
    assert repr(value) in message


def test_a_cycle_over_three_birds_is_found():
    rows = "1,3,,cock,,,,,,,\n2,1,,cock,,,,,,,\n3,2,,cock,,,,,,,\n"
    with pytest.raises(FlockError, match="its own ancestor"):
        parse_flock(HEAD + rows)


def test_latin_1_bytes_are_refused_with_their_line(tmp_path):
    path = tmp_path / "flock.csv"
    path.write_bytes(b"bird,notes\n1,fine\n2,gr\xfcn\n")
    with pytest.raises(FlockError, match="line 3: byte 0xfc"):
        load_flock(path)


@pytest.mark.parametrize("text", ["", "band,sex\n1,hen\n", "bird,bird\n1,1\n", "bird,sex\n1\n"])
def test_a_list_without_form_is_refused(text):
    with pytest.raises(FlockError):
        parse_flock(text)
