"""Records that can't all be true: what a breeder is told of each kind, and of none falsely."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from benchmarks.culprits import compared
from benchmarks.flocks import mendelian_flock
from service.errors import FlockError
from service.flock.assessment import item_of
from service.flock.candidates import candidates
from service.flock.contradictions import conflicts_of
from service.flock.counts_csv import parse_counted
from service.flock.evidence import evidence_of
from service.flock.flock_csv import parse_flock
from service.flock.inference import infer_flock
from tests.classifier.test_reading import reading

FLAT, DAY = [1 / 6] * 6, date(2026, 6, 1)
HEAD = "bird,sire,dam,sex,hatched,comb,crest,beard,genotype\n"
C, H = "c,,,cock,2024-01-01,{},{},{},{}\n", "h,,,hen,2024-01-01,{},{},{},{}\n"
PURE, SINGLE = "R/R P/P", "r+/r+ p+/p+"


def found_in(rows, counts=""):
    flock = parse_flock(HEAD + rows)
    counted = parse_counted("sire,dam,comb,chicks\n" + counts, flock) if counts else ()
    return {c.bird: c for c in candidates(flock, {}, FLAT, DAY, counted)}


def told(rows, counts=""):
    """What is said of each bird in conflict."""
    found = found_in(rows, counts)
    return {band: str(c.conflict.message) for band, c in found.items() if c.conflict}


def parents(comb="", crest="", beard="", genotype=""):
    return C.format(comb, crest, beard, genotype) + H.format(comb, crest, beard, genotype)


def chicks(number, comb="", crest="", beard="", genotype=""):
    return "".join(
        f"{i},c,h,,2025-03-01,{comb},{crest},{beard},{genotype}\n" for i in range(1, number + 1)
    )


def test_genotypes_on_record_that_exclude_each_other():
    said = told(parents(genotype=SINGLE) + chicks(1, genotype=PURE))
    assert set(said) == {"1"}
    assert said["1"].startswith(
        "the genotype on record of 1 (R/R P/P), the genotype on record of c (r+/r+ p+/p+) and "
        "the genotype on record of h (r+/r+ p+/p+) can't well all be true. To check, in this "
        "order: the genotype on record of 1 is wrong ("
    )


def test_a_comb_against_the_genotype_of_the_same_bird():
    said = told(C.format("single", "", "", PURE))
    assert said["c"].startswith(
        "the comb of c (single) and the genotype on record of c (R/R P/P) can't well all be true. "
        "To check, in this order: the comb of c was misread ("
    )


@pytest.mark.parametrize("number", [1, 5])
def test_single_parents_of_walnut_chicks_are_told_at_the_parents(number):
    said = told(parents("single", "no") + chicks(number, "walnut", "no"))
    assert set(said) == {"c", "h"}
    assert "the comb of c was misread (" in said["c"]
    assert "the comb of h was misread (" in said["c"]
    assert said["c"].startswith("the comb of 1 (walnut), the comb of c (single)")


@pytest.mark.parametrize(("trait", "at"), [("crest", 0), ("beard", 1)])
def test_parents_without_and_chicks_with(trait, at):
    without, there = ["", ""], ["", ""]
    without[at], there[at] = "no", "yes"
    said = told(parents("", *without) + chicks(3, "", *there))
    assert set(said) == {"c", "h"}
    for band in ("c", "h"):
        assert said[band].startswith(
            f"the {trait} noted of 1, 'no {trait}' noted of c and 'no {trait}' noted of h can't "
            "well all be true."
        )
        assert f"the note of {band}'s {trait} is wrong (" in said[band]
    one = told(parents("", *without) + chicks(1, "", *there))
    assert f"the note of 1's {trait} is wrong (" in one["1"]


def test_counted_chicks_against_genotypes_on_record():
    rows = C.format("", "", "", PURE) + H.format("", "", "", SINGLE)
    said = told(rows, "c,h,single,9\nc,h,walnut,1\n")
    assert set(said) == {"c", "h"}
    assert "the chicks counted of c x h can't well all be true" in said["c"]
    # R/R P/P has no single chick, r+/r+ p+/p+ has nothing to do with it: the cock comes first.
    assert "order: the genotype on record of c is wrong (" in said["h"]
    assert "the chicks counted aren't those of c x h (" in said["h"]


def test_a_contradiction_over_three_generations():
    rows = f"g,,,cock,2023-01-01,,,,{PURE}\ng2,,,hen,2023-01-01,,,,{PURE}\n"
    rows += f"c,g,g2,cock,2024-01-01,,,,\n{H.format('', '', '', '')}"
    said = told(rows + chicks(1, genotype=SINGLE))
    assert said["1"].startswith("the genotype on record of 1 (r+/r+ p+/p+) is all but impossible")
    assert "its sire isn't c (" in said["1"]
    assert "a record further off is wrong, perhaps that of g" in said["1"]


def test_a_listed_pea_against_a_photo_that_says_walnut_is_not_settled():
    flock = parse_flock(HEAD + "1,,,cock,2025-03-01,pea,no,no,\n")
    look = reading(comb=(0.001, 0.001, 0.01, 0.004, 0.004, 0.98), crest=0.01, pile="settled")
    (candidate,) = candidates(flock, {"1": [look]}, FLAT, DAY)
    item = item_of("1", (), (look,), candidate, flock.birds[0])
    assert item.pile == "second_look"
    assert any(reason.code == "written_and_read" for reason in item.reasons)


def test_a_bird_used_as_sire_and_as_dam_is_refused():
    with pytest.raises(FlockError, match="'x' is a sire here and a dam of 1"):
        parse_flock("bird,sire,dam\nx,,\ny,,\nz,,\n1,y,x\n2,x,z\n")


@pytest.mark.parametrize(("hatched", "refused"), [("2024-02-01", True), ("2024-09-01", False)])
def test_a_parent_a_month_older_than_its_chick_is_refused(hatched, refused):
    """No bird breeds before about four months (common practice, no source)."""
    text = f"bird,sire,hatched\nx,,2024-01-01\n1,x,{hatched}\n"
    if not refused:
        assert parse_flock(text).sire[1] == 0
        return
    with pytest.raises(FlockError, match="16 weeks before its chick"):
        parse_flock(text)


def test_nothing_is_certain_while_records_disagree():
    found = found_in(parents(genotype=SINGLE) + chicks(1, genotype=PURE))
    for candidate in found.values():
        assert max(candidate.genotypes.values()) < 1
    assert "100%" not in str(found["1"].conflict.message)


def test_a_mix_up_between_two_pens_of_one_day_is_found():
    pens = "d,,,cock,2024-01-01,single,no,no,r+/r+ p+/p+\ne,,,hen,2024-01-01,single,no,no,\n"
    young = "1,c,h,,2025-03-01,single,no,no,\n2,c,h,,2025-03-01,walnut,no,no,\n"
    young += "3,d,e,,2025-03-01,walnut,no,no,\n4,d,e,,2025-03-01,single,no,no,\n"
    rows = C.format("walnut", "no", "no", PURE) + H.format("single", "no", "no", "")
    said = told(rows + pens + young)
    assert set(said) == {"1", "3"}
    assert "order: the bands of 1 and 3 are mixed up (" in said["1"]
    assert "order: the bands of 3 and 1 are mixed up (" in said["3"]


@pytest.mark.parametrize(
    ("shape", "seed"),
    [
        ("pens", 0),
        *(pytest.param(*case, marks=pytest.mark.slow) for case in (("pens", 1), ("line", 0))),
    ],
)
def test_shares_of_culprits_are_those_of_whole_flocks_inferred_anew(shape, seed):
    """Every other parent and every swap tried by an inference of the changed flock."""
    flock = mendelian_flock(160, "told", shape, seed, misread=0.08)
    gaps, quick, slow = compared(flock, 4)
    assert gaps
    assert max(gaps) < 0.01
    assert quick < slow


def alarms(seeds, misread):
    birds = found = 0
    for seed in seeds:
        shape, crest = ("pens", "line")[seed % 2], ("told", "blank", "half")[seed % 3]
        flock = mendelian_flock(200, crest, shape, seed, misread)
        evidence = [evidence_of(bird, (), FLAT, DAY) for bird in flock.birds]
        found += len(conflicts_of(flock, evidence, infer_flock(flock, evidence)))
        birds += len(flock.birds)
    return 1000 * found / birds


def test_flocks_without_a_mistake_are_left_alone():
    """Combs by Punnett 1911, Mendelism: fewer than one alarm a thousand birds is a bar of ours."""
    assert alarms(range(12), 0.0) < 1


@pytest.mark.slow
def test_many_flocks_without_a_mistake_are_left_alone():
    assert alarms(range(100, 250), 0.0) < 1
    assert alarms(range(12), 0.03) > 3  # and those with mistakes aren't


def test_a_grandchick_may_be_told_by_its_other_parent_alone():
    """A bird with one known parent: its comb and the parent's can't both be true."""
    rows = C.format("", "", "", PURE) + "1,c,,,2025-03-01,single,no,no,\n"
    said = told(rows)
    assert "its sire isn't c (" in said["1"]
    shares = [c.share for c in found_in(rows)["1"].conflict.culprits]
    assert 0.97 < sum(shares) <= 1 + 1e-9
    assert np.all(np.diff(shares) <= 0)
