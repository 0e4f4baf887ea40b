"""Linkage against a published three-point table, and against unlinked Mendelian ratios."""

from fractions import Fraction as F

import pytest
from scipy.stats import binom, binomtest

from genetics.cross import cross
from genetics.linkage import Chromosome, LinkageError, Parent, cross_linked, gametes, shares

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


def test_unlinked_loci_give_the_ratios_of_the_plain_cross():
    # Punnett 1911, Mendelism, 3rd edition: 9:3:3:1.
    maps = [Chromosome(("R",)), Chromosome(("P",))]
    f1 = Parent(((("R",), ("r+",)), (("P",), ("p+",))))
    chicks = cross_linked(f1, f1, maps)
    plain = {
        tuple(o.genotype.split(" ")): o.probability
        for o in cross("R/r+ P/p+", "R/r+ P/p+").offspring
    }
    assert chicks == plain


def test_half_recombination_on_one_chromosome_is_independence():
    one = [Chromosome(("R", "P"), (F(1, 2),))]
    two = [Chromosome(("R",)), Chromosome(("P",))]
    together = Parent(((("R", "P"), ("r+", "p+")),))
    apart = Parent(((("R",), ("r+",)), (("P",), ("p+",))))
    assert cross_linked(together, together, one) == cross_linked(apart, apart, two)


def test_phase_decides_what_linked_loci_give():
    close = [Chromosome(("P", "O"), (F(4, 100),))]
    tester = Parent(((("p+", "o+"), ("p+", "o+")),))
    coupling = cross_linked(Parent(((("P", "O"), ("p+", "o+")),)), tester, close)
    repulsion = cross_linked(Parent(((("P", "o+"), ("p+", "O")),)), tester, close)
    assert coupling[("P/p+", "O/o+")] == repulsion[("P/p+", "o+/o+")] == F(48, 100)
    assert coupling[("P/p+", "o+/o+")] == repulsion[("P/p+", "O/o+")] == F(2, 100)
    assert shares(coupling, 0) == {"P/p+": F(1, 2), "p+/p+": F(1, 2)}


def test_sexes_may_differ_in_recombination():
    hen, cock = [Chromosome(("P", "O"), (F(0),))], [Chromosome(("P", "O"), (F(1, 10),))]
    f1 = Parent(((("P", "O"), ("p+", "o+")),))
    chicks = cross_linked(f1, f1, cock, hen)
    # Of the hen only P O and p+ o+ come; the recombinants are the cock's.
    assert chicks[("P/P", "O/o+")] == F(1, 20) * F(1, 2)
    assert sum(chicks.values()) == 1


@pytest.mark.parametrize(
    ("loci", "recombination", "coincidence"),
    [
        (("P", "O"), (F(6, 10),), F(1)),
        (("P", "O"), (), F(1)),
        (("P", "O"), (F(-1, 10),), F(1)),
        (("A", "B", "C"), (F(4, 10), F(4, 10)), F(3)),
    ],
)
def test_a_map_without_sense_is_refused(loci, recombination, coincidence):
    with pytest.raises(LinkageError):
        Chromosome(loci, recombination, coincidence)
