"""Linkage against a published three-point table, and against unlinked Mendelian ratios."""

from collections import Counter, defaultdict
from fractions import Fraction as F

import pytest
from scipy.stats import binom, binomtest

from genetics import numbers
from genetics.cross import cross
from genetics.genotype import GenotypeError
from genetics.linkage import Chromosome, LinkageError, Number, gametes
from genetics.punnett import grid, working

# Warren and Hutt 1936, Linkage relations of crest, dominant white and frizzling in the fowl
# (abstract figures): crest - dominant white 12.5 % of 1,984 gametes, dominant white - frizzle
# 17.1 % of 1,105, crest - frizzle 29.4 % of 677, no double crossover in 284.
CREST_WHITE, WHITE_FRIZZLE, CREST_FRIZZLE = F(125, 1000), F(171, 1000), F(294, 1000)
ORDER = ("Cr", "I", "F")
DOUBLE_HETEROZYGOTE = (("Cr", "I", "F"), ("cr+", "i+", "f+"))


def outer(chromosome):
    """Recombination between the outer loci."""
    passed = gametes(*DOUBLE_HETEROZYGOTE, chromosome)
    return sum(p for h, p in passed.items() if (h[0] == "Cr") != (h[2] == "F"))


def test_the_three_point_table_follows_from_two_intervals_with_full_interference():
    # Interference stated: complete (coincidence 0), as no double crossover was seen.
    chromosome = Chromosome(ORDER, (CREST_WHITE, WHITE_FRIZZLE), F(0))
    assert outer(chromosome) == CREST_WHITE + WHITE_FRIZZLE == F(296, 1000)
    # The published 29.4 % of 677 gametes lie well within chance of the 29.6 % predicted.
    seen = round(float(CREST_FRIZZLE) * 677)
    assert binomtest(seen, 677, float(outer(chromosome))).pvalue > 0.5


def test_without_interference_the_table_does_not_come_out():
    chromosome = Chromosome(ORDER, (CREST_WHITE, WHITE_FRIZZLE), F(1))
    r, s = CREST_WHITE, WHITE_FRIZZLE
    assert outer(chromosome) == r + s - 2 * r * s
    double = gametes(*DOUBLE_HETEROZYGOTE, chromosome)[("Cr", "i+", "F")] * 2
    assert double == r * s
    # Six double crossovers would be expected of 284; none is a chance of 1 in 400.
    assert binom.pmf(0, 284, float(double)) < 0.003


def test_the_two_intervals_themselves_come_back_whatever_the_interference():
    for coincidence in (F(0), F(1, 3), F(1)):
        chromosome = Chromosome(ORDER, (CREST_WHITE, WHITE_FRIZZLE), coincidence)
        passed = gametes(*DOUBLE_HETEROZYGOTE, chromosome)
        assert sum(passed.values()) == 1
        first = sum(p for h, p in passed.items() if (h[0] == "Cr") != (h[1] == "I"))
        second = sum(p for h, p in passed.items() if (h[1] == "I") != (h[2] == "F"))
        assert (first, second) == (CREST_WHITE, WHITE_FRIZZLE)


@pytest.fixture
def own_numbers():
    """Lets a test read its own numbers in, and ours again when it ends."""
    yield lambda text: numbers.use(numbers.read(text, "test.toml"))
    numbers.use({})


def by_genotype(result):
    return {o.genotype: o.probability for o in result.offspring}


def test_half_recombination_is_independence(own_numbers):
    apart = by_genotype(cross("P/p+ Mb/mb+", "P/p+ Mb/mb+"))
    assert apart["P/p+ Mb/mb+"] == F(1, 4)
    own_numbers('[loci.linkage.test]\nloci = ["P", "Mb"]\nrecombination = [0.5]')
    assert by_genotype(cross("P Mb/p+ mb+", "P Mb/p+ mb+")) == apart


def test_phase_decides_what_linked_loci_give():
    # Pea and blue egg, about 4 % recombination (from memory).
    coupling = by_genotype(cross("P O/p+ o+", "p+/p+ o+/o+"))
    repulsion = by_genotype(cross("P o+/p+ O", "p+/p+ o+/o+"))
    assert coupling["P/p+ O/o+"] == repulsion["P/p+ o+/o+"] == F(48, 100)
    assert coupling["P/p+ o+/o+"] == repulsion["P/p+ O/o+"] == F(2, 100)
    unknown = cross("P/p+ O/o+", "p+/p+ o+/o+")
    assert unknown.phase_unknown == ("cock",)
    assert set(by_genotype(unknown).values()) == {F(1, 4)}


def test_sexes_may_differ_in_recombination(own_numbers):
    own_numbers("[loci.linkage.pea-egg]\ncock = [0.1]\nhen = [0.0]")
    chicks = by_genotype(cross("P O/p+ o+", "P O/p+ o+"))
    # Of the hen only P O and p+ o+ come; the recombinants are the cock's.
    assert chicks["P/P O/o+"] == F(1, 20) * F(1, 2)
    assert sum(chicks.values()) == 1


def test_the_published_table_comes_out_of_the_shipped_numbers():
    # Warren and Hutt's two intervals, asked about the outer loci alone: 29.6 %, seen 29.4 %.
    chicks = by_genotype(cross("Cr F/cr+ f+", "cr+/cr+ f+/f+"))
    assert chicks["Cr/cr+ f+/f+"] + chicks["cr+/cr+ F/f+"] == F(296, 1000)
    assert chicks["Cr/cr+ F/f+"] == F(704, 2000)


def test_floats_and_fractions_agree():
    sire, dam = "R/r+; P O/p+ o+; Cr/cr+", "R/r+; P o+/p+ O; cr+/cr+"
    exact, quick = by_genotype(cross(sire, dam)), by_genotype(cross(sire, dam, exact=False))
    assert exact.keys() == quick.keys()
    assert all(isinstance(p, F) for p in exact.values())
    assert max(abs(float(p) - quick[g]) for g, p in exact.items()) < 1e-15
    assert sum(exact.values()) == 1


def test_a_lethal_genotype_is_lost_and_the_combs_are_of_those_that_hatch():
    # Creeper: homozygous embryos die (OMIA 000884-9031), so 2 creepers : 1 normal hatch.
    result = cross("Cp/cp+", "Cp/cp+")
    assert result.lost == F(1, 4)
    hatched = [o for o in result.offspring if o.hatches]
    assert {o.genotype: o.probability / (1 - result.lost) for o in hatched} == {
        "Cp/cp+": F(2, 3),
        "cp+/cp+": F(1, 3),
    }


def test_the_grid_and_the_multiplication_say_what_the_cross_says():
    # Punnett 1911, Mendelism, 3rd edition: 9 walnut : 3 rose : 3 pea : 1 single of 16 cells.
    made = grid("R/r+ P/p+", "R/r+ P/p+")
    cells = [cell for row in made.cells for cell in row]
    assert len(cells) == 16
    assert {cell.probability for cell in cells} == {F(1, 16)}
    combs = Counter(cell.comb for cell in cells)
    assert combs == {
        "walnut": 9,
        "rose": 3,
        "single_blade_pea": 2,
        "triple_pea": 1,
        "single": 1,
    }
    products = {p.result: p for p in working("R/r+ P/p+", "R/r+ P/p+").products}
    assert [f.probability for f in products["walnut"].factors] == [F(3, 4), F(3, 4)]
    assert {name: p.probability * 16 for name, p in products.items()} == combs


@pytest.mark.parametrize(
    ("sire", "dam"),
    [("R/r+; P O/p+ o+", "R/r+; p+ O/p+ o+"), ("Cr I F/cr+ i+ f+", "Cr/cr+ i+/i+ F/F")],
)
def test_grid_and_working_agree_with_the_cross_at_linked_loci(sire, dam):
    told = by_genotype(cross(sire, dam))
    summed: dict[str, Number] = defaultdict(int)
    for row in grid(sire, dam).cells:
        for cell in row:
            summed[cell.genotype] += cell.probability
    assert summed == told
    made = working(sire, dam)
    assert all(sum(c.probability for c in part.chicks) == 1 for part in made.parts)
    assert sum(p.probability for p in made.products) == 1


@pytest.mark.parametrize(
    "text",
    ["", "R", "R/P", "R/r+ R/R", "P O/p+", "X/x", "R/?", "P O/p+ o+ R/r+", "R/r+/R"],
)
def test_what_is_no_genotype_is_refused(text):
    with pytest.raises(GenotypeError):
        cross(text, "R/r+")


def test_parents_must_name_the_same_loci_and_all_linked_ones_in_a_phase():
    with pytest.raises(GenotypeError, match="says nothing of P"):
        cross("R/r+ P/p+", "R/r+")
    with pytest.raises(GenotypeError, match="without F, which is linked"):
        cross("Cr I/cr+ i+; F/f+", "cr+/cr+ i+/i+ f+/f+")


@pytest.mark.parametrize(
    ("loci", "recombination", "coincidence"),
    [
        (("P", "O"), (F(6, 10),), F(1)),
        (("P", "O"), (), F(1)),
        (("P", "O"), (F(-1, 10),), F(1)),
        (("A", "B", "C"), (F(4, 10), F(4, 10)), F(3)),
        (("A", "B", "C"), (F(4, 10), F(4, 10)), F(-1, 100)),
    ],
)
def test_a_map_without_sense_is_refused(loci, recombination, coincidence):
    with pytest.raises(LinkageError):
        Chromosome(loci, recombination, coincidence)


def test_as_many_double_crossovers_as_crossovers_are_the_most_that_can_be():
    # Intervals of 1/2 with coincidence 2: each crossover comes with one next to it.
    crossed = Chromosome(("A", "B", "C"), (F(1, 2), F(1, 2)), F(2)).crossovers()
    assert crossed == {(0, 0): F(1, 2), (1, 1): F(1, 2)}
