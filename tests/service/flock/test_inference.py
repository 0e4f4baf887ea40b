"""R and P with crest, beards, varieties, counts without bands: what a flock list adds up to."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from genetics.combs import founder_prior, hardy_weinberg, penetrance
from genetics.cross import locus_transmission, transmission
from genetics.evidence import from_person
from genetics.genotype import NAMES, all_loci
from genetics.planning import PlanRequest
from genetics.rates import Rates
from service.errors import FlockError
from service.flock.candidates import candidates
from service.flock.contradictions import conflicts_of
from service.flock.counts_csv import parse_counted
from service.flock.evidence import evidence_of
from service.flock.flock_csv import parse_flock
from service.flock.inference import infer_again, infer_flock
from service.flock.matings import (
    counts_test,
    known_list,
    mating_plan,
    mating_test,
    pen_plan,
    subject_of_genotype,
)

HEAD = "bird,sire,dam,sex,hatched,comb,crest,beard,wattles,genotype,variety\n"
PAIR = "c,,,cock,2024-01-01,,,,,,\nh,,,hen,2024-01-01,,,,,,\n"


def of(rows, counts=""):
    flock = parse_flock(HEAD + rows)
    counted = parse_counted("sire,dam,comb,chicks\n" + counts, flock) if counts else ()
    return {c.bird: c for c in candidates(flock, {}, [1 / 6] * 6, date(2026, 6, 1), counted)}


def test_crest_couples_the_comb_with_the_crest_of_relatives_as_by_brute_force():
    # A trio; the chick's comb was read as folded, its crest not noted; the cock is crested.
    found = of(
        "c,,,cock,,walnut,yes,,,,\nh,,,hen,,single,no,,,,\n1,c,h,,,crest_folded_single,,,,,\n"
    )
    seen, prior = np.array(all_loci()["Cr"].seen), hardy_weinberg("Cr")
    # Joint over R and P (9) and crest (3) of cock, hen and chick.
    cock = np.outer(founder_prior() * (penetrance(True) @ from_person("walnut")), prior * seen)
    hen = np.outer(
        founder_prior() * (penetrance(False) @ from_person("single")), prior * (1 - seen)
    )
    folded = from_person("crest_folded_single")
    chick = np.outer(penetrance(True) @ folded, seen) + np.outer(
        penetrance(False) @ folded, 1 - seen
    )
    joint = np.einsum(
        "ax,by,abc,xyz,cz->cz", cock, hen, transmission(), locus_transmission(), chick
    )
    joint = joint / joint.sum()
    told = np.array(list(found["1"].with_crest.values())).reshape(9, 3)
    assert np.abs(told - joint).max() < 1e-10
    assert list(found["1"].genotypes.values()) == pytest.approx(joint.sum(1), abs=1e-10)
    assert list(found["1"].crest.values()) == pytest.approx(joint.sum(0), abs=1e-10)
    # A folded comb means a crest, and so a copy of Cr.
    assert found["1"].crest["cr+/cr+"] < 0.2
    assert next(iter(found["1"].with_crest)) == "R/R P/P Cr/Cr"


def test_with_the_crest_noted_nothing_is_coupled():
    found = of(PAIR + "1,c,h,,,crest_folded_single,yes,,,,\n2,c,h,,,pea,,,,,\n")
    assert found["1"].with_crest == {}
    assert found["2"].with_crest == {}


def test_beards_of_chicks_tell_of_their_parents():
    found = of(
        PAIR
        + "".join(f"{i},c,h,,,,,no,,,\n" for i in range(3))
        + "".join(f"{i},c,h,,,,,yes,,,\n" for i in range(5, 8))
    )
    alone = of(PAIR)
    assert found["c"].beard["Mb/mb+"] > alone["c"].beard["Mb/mb+"]
    assert found["c"].beard["Mb/Mb"] < 0.01
    # Beard and wattle loci never touch the comb loci where the beard is unknown.
    assert found["c"].genotypes == pytest.approx(alone["c"].genotypes)


def test_a_variety_sets_what_is_taken_of_a_founder():
    found = of("c,,,cock,,,,,,,single-combed\nh,,,hen,,,,,,,\n1,c,h,,,,,,,,\n")
    assert found["c"].variety == "single-combed"
    assert found["c"].genotypes["r+/r+ p+/p+"] > 0.9
    assert found["h"].genotypes["r+/r+ p+/p+"] == pytest.approx(1 / 16)
    with pytest.raises(FlockError, match="line 2, column variety: 'none such'"):
        of("c,,,cock,,,,,,,none such\n")


def test_chicks_counted_without_bands_are_evidence_on_both_parents():
    found = of(PAIR.replace(",,,,,,\nh", ",walnut,no,,,,\nh"), "c,h,single,4\nc,h,walnut,5\n")
    # Singles come only of two carriers.
    carriers = sum(p for g, p in found["c"].genotypes.items() if "r+" in g and "p+" in g)
    assert carriers > 0.99
    assert any(e.evidence.code == "piece_counted" for e in found["c"].ledger)
    banded = "".join(f"{i},c,h,,,single,no,,,,\n" for i in range(4))
    banded += "".join(f"{i},c,h,,,walnut,no,,,,\n" for i in range(4, 9))
    same = of(PAIR.replace(",,,,,,\nh", ",walnut,no,,,,\nh") + banded)
    for name in NAMES:
        assert found["c"].genotypes[name] == pytest.approx(same["c"].genotypes[name], abs=0.01)


@pytest.mark.parametrize(
    ("counts", "said"),
    [
        ("c,x,single,3\n", "column dam: 'x' has no row of its own"),
        ("h,c,single,3\n", "column sire: 'h' is recorded as a hen"),
        ("c,h,single,-3\n", "column chicks: '-3' is not a whole number"),
        ("c,h,beak,3\n", "column comb: 'beak' is not allowed here"),
        ("c,h,single,3\nc,h,single,1\n", "line 3, column comb: 'single' is counted twice"),
        ("c,h,pea,3\nc,h,triple_pea,1\n", "either count blades and triples apart"),
        ("c,h,single,0\n", "no chicks were counted"),
    ],
)
def test_counts_that_make_no_sense_name_line_and_value(counts, said):
    with pytest.raises(FlockError, match=said):
        of(PAIR, counts)


def test_the_ledger_says_how_expected_each_reading_was():
    # Of two singles a single chick is expected, a walnut a surprise.
    singles = "c,,,cock,,single,no,,,,\nh,,,hen,,single,no,,,,\n"
    fits = of(singles + "1,c,h,,,single,no,,,,\n")["1"].ledger
    odd = of(singles + "1,c,h,,,walnut,no,,,,\n")["1"].ledger
    fitting, strange = (
        next(e for e in x if e.evidence.code == "source_somebody") for x in (fits, odd)
    )
    assert fitting.expected > 1 > 0.2 > strange.expected


def crowded():
    """Rows of three generations that are too complex for an exact answer."""
    rng = np.random.default_rng(3)
    rows = "".join(f"0-{i},,,{'cock' if i % 2 else 'hen'},,,,,,,\n" for i in range(24))
    for generation in range(1, 3):
        for i in range(24):
            sire, dam = rng.choice(12, 2)
            sex = "cock" if i % 2 else "hen"
            comb = rng.choice(["single", "walnut", "rose", "pea"])
            before = generation - 1
            parents = f"{before}-{2 * sire + 1},{before}-{2 * dam}"
            rows += f"{generation}-{i},{parents},{sex},,{comb},no,,,,\n"
    return rows


@pytest.mark.slow
def test_a_crowded_flock_is_answered_approximately_and_says_so():
    found = of(crowded())
    for candidate in found.values():
        told = candidate.as_json()
        assert told["method"] == candidate.method
        assert sum(candidate.genotypes.values()) == pytest.approx(1, abs=1e-12)
    # Birds that have nothing to do with the crowd keep their exact answers.
    assert {c.method for c in found.values()} >= {"approximate"}
    rough = [c for c in found.values() if c.method == "approximate"]
    assert len(rough) > 60
    assert all(0 < c.as_json()["standard_error"] < 0.01 for c in rough)


@pytest.mark.long
def test_counts_in_a_crowded_flock_whose_crests_are_open_are_no_trouble():
    """Sampled over comb and crest together, it doesn't tell what counts alone would be weighed by;
    the mating beside it does."""
    rows = crowded().replace(",no,,,,\n", ",,,,,\n") + PAIR.replace(
        ",,,,,,\nh", ",walnut,no,,,,\nh"
    )
    found = of(rows, "0-1,0-0,walnut,3\nc,h,single,4\n")
    assert found["1-0"].method == "approximate"
    assert found["c"].method == "exact"
    carriers = sum(p for g, p in found["c"].genotypes.items() if "r+" in g and "p+" in g)
    assert carriers > 0.9


@pytest.mark.slow
def test_plans_and_test_matings_of_a_crowded_flock_say_so_too():
    flock, day, rates = parse_flock(HEAD + crowded()), date(2026, 6, 1), Rates(0.9, 0.9, 0.9)
    request = PlanRequest("walnut", 2, 0.9, rates)
    known = known_list(flock, day)
    pairs = mating_plan(known, request)
    assert all(pair["approximate"].startswith("approximate") for pair in pairs)
    pens = pen_plan(known, 3, request)
    assert all(pen["approximate"].startswith("approximate") for pen in pens)
    birds = known.subjects
    single = subject_of_genotype("r+/r+ p+/p+")
    answer = mating_test(birds["2-1"], single, "R", 0.95, rates, [])
    assert answer["caution"].startswith("approximate")
    assert counts_test(birds["2-1"], birds["2-0"], {"walnut": 3})["caution"]
    assert not mating_test(subject_of_genotype("R/? p+/p+"), single, "R", 0.95, rates, [])[
        "caution"
    ]


def test_new_evidence_of_one_family_gives_what_the_whole_flock_inferred_anew_would():
    rows = PAIR + "d,,,cock,2024-01-01,walnut,,,,,\ne,,,hen,2024-01-01,,,,,,\n"
    rows += "".join(f"{i},c,h,,2025-03-01,single,,,,,\n" for i in range(1, 4))
    rows += "".join(f"{i},c or d,e,,2025-03-01,rose,yes,no,,,\n" for i in range(4, 7))
    rows += "x,,,cock,2024-01-01,,,,,,\ny,,,hen,2024-01-01,,,,,,\n7,x,y,,2025-03-01,single,,,,,\n"
    flock = parse_flock(HEAD + rows)
    counted = parse_counted("sire,dam,comb,chicks\nx,y,walnut,3\nc,h,single,2\n", flock)
    day = date(2026, 6, 1)
    before = [evidence_of(bird, (), [1 / 6] * 6, day) for bird in flock.birds]
    row = flock.row("7")
    after = list(before)
    after[row] = evidence_of(replace(flock.birds[row], comb="walnut"), (), [1 / 6] * 6, day)
    found = infer_again(flock, after, counted, infer_flock(flock, before, counted), [row])
    whole = infer_flock(flock, after, counted)
    for mine, all_anew in ((found.combs, whole.combs), (found.crest, whole.crest)):
        assert np.abs(mine.marginals - all_anew.marginals).max() < 1e-9
        assert np.abs(mine.cavities - all_anew.cavities).max() < 1e-9
        assert mine.families.keys() == all_anew.families.keys()
    assert len(found.combs.matings) == 2
    for mine_too, anew in zip(found.combs.matings, whole.combs.matings, strict=True):
        assert np.abs(mine_too - anew).max() < 1e-9
    assert found.parentage.keys() == whole.parentage.keys()
    assert conflicts_of(flock, after, found) == conflicts_of(flock, after, whole)
