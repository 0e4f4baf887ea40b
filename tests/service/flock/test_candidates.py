"""Candidates: pedigree, readings and doubt together."""

from datetime import date

import pytest

from service.flock.candidates import candidates
from service.flock.flock_csv import parse_flock

FLAT = [1 / 6] * 6
HEAD = "bird,sire,dam,sex,hatched,comb,crest,beard,wattles,genotype\n"
PARENTS = "c,,,cock,2024-01-01,walnut,no,no,,R/R P/P\nh,,,hen,2024-01-01,single,no,no,,\n"


def of(text, on=date(2026, 6, 1)):
    return {c.bird: c for c in candidates(parse_flock(HEAD + text), {}, FLAT, on)}


def test_an_impossible_reading_is_a_conflict_with_culprits():
    found = of(PARENTS + "1,c,h,,2025-03-01,single,no,no,,\n")
    assert found["1"].conflict is not None
    assert "the comb was misread" in found["1"].conflict
    assert "its sire isn't c" in found["1"].conflict
    assert found["c"].conflict is None


def test_a_possible_reading_is_none():
    found = of(PARENTS + "1,c,h,,2025-03-01,walnut,no,no,,\n")
    assert found["1"].conflict is None


def test_mixed_up_bands_of_one_day_are_the_likeliest_culprit():
    other = "d,,,cock,2024-01-01,single,no,no,,r+/r+ p+/p+\n"
    chicks = "1,c,h,,2025-03-01,single,no,no,,\n2,d,h,,2025-03-01,walnut,no,no,,\n"
    conflict = of(PARENTS + other + chicks)["1"].conflict
    assert conflict is not None
    assert conflict.split("Likelier: ")[1].startswith("bands 1 and 2 are mixed up")


def test_single_chicks_show_what_its_parents_carry():
    rows = "c,,,cock,,walnut,no,,,\nh,,,hen,,walnut,no,,,\n"
    before = of(rows + "1,c,h,,,,no,,,\n")["c"].genotypes
    after = of(rows + "1,c,h,,,single,no,,,\n2,c,h,,,single,no,,,\n")["c"].genotypes
    assert after["R/r+ P/p+"] > 0.85 > before["R/r+ P/p+"]


def test_wattles_count_only_without_a_beard():
    row = "1,,,cock,2024-01-01,,,{},large,\n"
    plain = of("1,,,cock,2024-01-01,,,,,\n")["1"].genotypes
    assert of(row.format("yes"))["1"].genotypes == plain
    assert of(row.format(""))["1"].genotypes == plain
    assert of(row.format("no"))["1"].genotypes != plain


def test_a_silent_wattle_line_says_why_and_weighs_nothing():
    ledger = of("1,,,cock,2024-01-01,,,yes,large,\n")["1"].ledger
    line = next(e for e in ledger if e.evidence == "wattles")
    assert "beard present" in line.says
    assert line.ratio == pytest.approx(1)


def test_records_that_exclude_each_other_are_told_not_raised():
    rows = "c,,,cock,,,,,,R/R P/P\nh,,,hen,,,,,,R/R P/P\n1,c,h,,,single,no,,,r+/r+ p+/p+\n"
    found = of(rows)
    assert found["1"].conflict is not None
    assert sum(found["1"].genotypes.values()) == pytest.approx(1)
