"""Candidates: pedigree, readings and doubt together."""

from datetime import date

import numpy as np
import pytest

from genetics.combs import founder_prior, hardy_weinberg, penetrance
from genetics.evidence import from_person
from genetics.genotype import NAMES, all_loci
from service.flock.assessment import alike, item_of
from service.flock.candidates import candidates
from service.flock.flock_csv import parse_flock
from tests.classifier.test_reading import reading

FLAT = [1 / 6] * 6
HEAD = "bird,sire,dam,sex,hatched,comb,crest,beard,wattles,genotype\n"
PARENTS = "c,,,cock,2024-01-01,walnut,no,no,,R/R P/P\nh,,,hen,2024-01-01,single,no,no,,\n"


def of(text, on=date(2026, 6, 1)):
    return {c.bird: c for c in candidates(parse_flock(HEAD + text), {}, FLAT, on)}


def test_an_impossible_reading_is_a_conflict_with_culprits():
    found = of(PARENTS + "1,c,h,,2025-03-01,single,no,no,,\n")
    assert found["1"].conflict is not None
    kinds = {culprit.kind: culprit.bands for culprit in found["1"].conflict.culprits}
    assert {"culprit_comb": ("1",), "culprit_sire": ("c",)}.items() <= kinds.items()
    said = str(found["1"].conflict.message)
    assert said.startswith("a person read single, which its relatives make all but impossible")
    assert "the comb of 1 was misread (" in said
    assert "its sire isn't c (" in said
    assert found["c"].conflict is None


def test_a_possible_reading_is_none():
    found = of(PARENTS + "1,c,h,,2025-03-01,walnut,no,no,,\n")
    assert found["1"].conflict is None


def test_mixed_up_bands_of_one_day_are_the_likeliest_culprit():
    other = "d,,,cock,2024-01-01,single,no,no,,r+/r+ p+/p+\n"
    chicks = "1,c,h,,2025-03-01,single,no,no,,\n2,d,h,,2025-03-01,walnut,no,no,,\n"
    conflict = of(PARENTS + other + chicks)["1"].conflict
    assert conflict is not None
    assert (conflict.culprits[0].kind, conflict.culprits[0].bands) == ("culprit_bands", ("1", "2"))
    assert sum(culprit.share for culprit in conflict.culprits) == pytest.approx(1, abs=0.05)


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
    line = next(e for e in ledger if e.evidence.code == "piece_wattles")
    assert line.says.code == "says_wattles_silent"
    assert "beard present" in str(line.says)
    assert line.ratio == pytest.approx(1)


def test_records_that_exclude_each_other_are_told_not_raised():
    rows = "c,,,cock,,,,,,R/R P/P\nh,,,hen,,,,,,R/R P/P\n1,c,h,,,single,no,,,r+/r+ p+/p+\n"
    found = of(rows)
    assert found["1"].conflict is not None
    assert sum(found["1"].genotypes.values()) == pytest.approx(1)


def test_the_chance_of_a_mix_up_is_shared_out_among_all_that_hatched_that_day():
    """The prior of mixed bands (combs.toml: 0.01): two possible other halves, half of it each.

    Chicks of the same parents with the same evidence can't be told apart and are named together.
    """
    other = "d,,,cock,2024-01-01,single,no,no,,r+/r+ p+/p+\n"
    odd = "1,c,h,,2025-03-01,single,no,no,,\n"
    mates = [f"m{i},d,h,,2025-03-01,,no,no,,\n" for i in range(2)]
    odds = []
    for count in (1, 2):
        conflict = of(PARENTS + other + odd + "".join(mates[:count]))["1"].conflict
        found = {(c.kind, c.bands): c.share for c in conflict.culprits}
        bands = ("1", "m0", "m1")[: count + 1]
        odds.append(found["culprit_bands", bands] / found["culprit_comb", ("1",)])
    assert odds[0] == pytest.approx(odds[1], rel=1e-6)
    # A person slips about as often to 'single' (0.03 / 5) as bands are mixed up (0.01), and a
    # swap fits the chick of a single-combed pair in every way.
    assert 1 / 3 < odds[0] < 3


@pytest.mark.parametrize(("walnuts", "in_conflict"), [(4, False), (5, False), (6, True), (9, True)])
def test_a_reading_is_a_conflict_below_one_in_a_thousand_and_not_above(walnuts, in_conflict):
    """A walnut cock on a single hen: after n walnut chicks the chance of a single one falls with
    about (1/4)^n, from 0.0036 after four and 0.0011 after five to 0.0003 after six."""
    rows = "c,,,cock,2024-01-01,walnut,no,no,,\nh,,,hen,2024-01-01,single,no,no,,r+/r+ p+/p+\n"
    rows += "".join(f"w{i},c,h,,2025-03-01,walnut,no,no,,\n" for i in range(walnuts))
    found = of(rows + "x,c,h,,2025-03-01,single,no,no,,\n")["x"].conflict
    assert (found is not None) is in_conflict


@pytest.mark.parametrize("crest", ["no", ""])
def test_the_ratios_of_a_ledger_multiply_to_posterior_over_prior_odds(crest):
    rows = PARENTS + f"1,c,h,cock,2025-03-01,single,{crest},no,small,R/? P/?\n"
    flock = parse_flock(HEAD + rows)
    looks = [reading(comb=(0.3, 0.1, 0.1, 0.1, 0.1, 0.3), photo=f"{i}.jpg") for i in (1, 2)]
    found = {c.bird: c for c in candidates(flock, {"1": looks}, FLAT, date(2026, 6, 1))}["1"]
    assert len(found.ledger) == 6  # relatives, genotype, two photos, a person, wattles
    best = max(found.genotypes, key=found.genotypes.__getitem__)
    after = found.genotypes[best]
    before = founder_prior()[NAMES.index(best)]
    ratio = np.prod([entry.ratio for entry in found.ledger])
    assert ratio == pytest.approx(after / (1 - after) / (before / (1 - before)), rel=1e-6)


def test_the_likelier_sire_is_told_with_its_chance():
    """A walnut chick of a single hen can only be the walnut cock's: a single one throws none."""
    rows = PARENTS + "d,,,cock,2024-01-01,single,no,no,,r+/r+ p+/p+\n"
    found = of(rows + "1,c or d,h,,2025-03-01,walnut,no,no,,\n")["1"]
    assert found.parents["sire"]["c"] > 0.95
    assert found.as_json()["parents"]["sire"]["c"] == pytest.approx(found.parents["sire"]["c"])
    assert "likelier, by all that is known: c (" in str(found.ledger[0].says)


def test_a_pea_that_a_photo_takes_for_triple_is_pea_and_no_alarm():
    """A back-cross chick (R/r+ P/p+ x single) can't be P/P: photos can't tell blade from triple."""
    rows = "c,,,cock,2024-01-01,,no,no,,R/r+ P/p+\nh,,,hen,2024-01-01,single,no,no,,r+/r+ p+/p+\n"
    flock = parse_flock(HEAD + rows + "1,c,h,,2025-03-01,,no,no,,\n")
    look = reading(comb=(0.01, 0.0, 0.02, 0.03, 0.92, 0.02), crest=0.01, pile="settled")
    found = {c.bird: c for c in candidates(flock, {"1": [look]}, FLAT, date(2026, 6, 1))}["1"]
    item = item_of("1", (), (look,), found, flock.birds[2])
    assert alike(item.proposal or "", "pea")
    assert item.confidence > 0.7
    assert found.conflict is None
    # What is left is that photos mislead at all, not that this one contradicts the relatives.
    assert {reason.code for reason in item.reasons} <= {"could_also_be"}
    assert found.genotypes["r+/r+ P/p+"] > 0.7


def test_a_folded_comb_read_without_a_note_of_the_crest_counts_once():
    """Of a bird without relatives, by Bayes' rule over R, P and crest together."""
    found = of("1,,,cock,2025-03-01,crest_folded_single,,no,,\n")["1"]
    seen, crest = np.array(all_loci()["Cr"].seen), hardy_weinberg("Cr")
    grown = float(crest @ seen)
    table = grown * penetrance(True) + (1 - grown) * penetrance(False)
    combs = (founder_prior() @ table) * from_person("crest_folded_single")
    assert list(found.combs.values()) == pytest.approx((combs / combs.sum()).tolist())
