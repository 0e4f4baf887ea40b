"""The tables of numbers: every line has its source, and a user's own numbers are checked whole."""

import numpy as np
import pytest

from genetics import numbers
from genetics.combs import founder_prior, penetrance, tables, varieties
from genetics.cross import cross
from genetics.own_numbers import FIXED, first_mistake

SOURCED = (
    "assumption", "common practice", "from memory", "the rule", "fixed", "et al.", "measured", "[",
)  # fmt: skip


@pytest.fixture
def mine():
    """Lets a test use its own numbers, and ours again when it ends."""
    yield lambda text: numbers.use(numbers.read(text, "mine.toml"))
    numbers.use({})


@pytest.mark.parametrize("name", numbers.TABLES)
def test_every_line_has_a_source_or_says_assumption(name):
    for count, line in enumerate(numbers.source(name).splitlines(), start=1):
        if line.startswith(("#", "[")) or "=" not in line:
            continue
        comment = line.partition("#")[2]
        assert any(word in comment for word in SOURCED), f"{name}.toml, line {count}: {line}"


@pytest.mark.parametrize("name", numbers.TABLES)
def test_our_own_tables_pass_the_check_that_a_users_must(name):
    # Every shipped value stands the check for a user's; fixed keys are refused on purpose.
    ours = {k: v for k, v in numbers.shipped(name).items() if (name, k) not in FIXED}
    assert first_mistake(name, ours, numbers.shipped(name)) is None


def test_a_users_number_counts_and_ours_comes_back(mine):
    before = penetrance(True)[8].copy()
    mine("[combs.crest]\nfolds = 0.9")
    assert penetrance(True)[8, 0] < before[0]
    assert tables()["crest"]["unknown_crest"] == numbers.shipped("combs")["crest"]["unknown_crest"]
    numbers.use({})
    assert np.array_equal(penetrance(True)[8], before)


def test_a_variety_and_a_locus_of_ones_own(mine):
    mine(
        '[varieties."hill fowl"]\nR = 1.0\nP = 0.0\nCr = 0.0\nMb = 0.0\n'
        '[loci.locus.Na]\nname = "Naked neck"\ndominant = "Na"\nrecessive = "na+"\n'
        'dominance = "incomplete"\nchromosome = "3"\nshows = ["bare neck", "half bare neck", ""]\n'
        '[loci.linkage.new]\nloci = ["Mb", "Na"]\nrecombination = [0.2]\n'
    )
    assert "hill fowl" in varieties()
    assert founder_prior("hill fowl")[2] == 1
    chicks = {o.genotype: o for o in cross("Mb Na/mb+ na+", "mb+/mb+ na+/na+").offspring}
    assert float(chicks["Mb/mb+ Na/na+"].probability) == pytest.approx(0.4)
    assert "half bare neck" in chicks["Mb/mb+ Na/na+"].shows


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[combs.crest]\nfold = 0.5", r"line 2, key combs\.crest\.fold: no key of ours"),
        ("[combs.crest]\n\nfolds = 1.5", r"line 3, key combs\.crest\.folds: 1\.5 is no probab"),
        ('[combs.crest]\nfolds = "half"', r"line 2.*'half' is no number"),
        ('[combs.leaks]\n"R/_ P/_" = [0, 0, 0, 0, 0, 0.9]', r"line 2.*must sum to 1.*0\.9"),
        ('[combs.leaks]\n"R/_ P/_" = [1.0]', r"line 2.*1 entries; needed are 6"),
        ("[combs.wattles.adult]\ncock_pp = [0.5, 0.6, -0.1]", r"line 2.*must sum to 1"),
        ("[loci.linkage.pea-egg]\nrecombination = [0.6]", r"line 2.*0\.6 must lie between 0 and"),
        ("[loci.linkage.x]\nloci = ['R']", r"line 1, key loci\.linkage\.x: recombination is miss"),
        (
            "[loci.linkage.x]\nloci = ['R', 'I']\nrecombination = [0.1, 0.2]",
            r"line 3.*2 loci need 1 numbers, not 2",
        ),
        ("[varieties.x]\nR = 0.5", r"line 1, key varieties\.x: P is missing"),
        ("[varieties.unknown]\nR = -0.5", r"line 2, key varieties\.unknown\.R"),
        (
            "[loci.locus.R]\ndominance = 'some'",
            r"line 2.*'some' is not allowed here; use one of complete, incomplete",
        ),
        ("[fertility.rates]\nhatch = 80", r"line 2.*80 is no probability"),
        ("[eggs]\nx = 1", r"line 1, key eggs: no table of ours"),
        ("combs.classes = []", r"line 1, key combs\.classes: is fixed"),
        ("[combs.crest\nfolds = 1", r"not TOML.*line 1"),
        ("combs = 3", r"line 1, key combs: no table of ours"),
        ("[combs]\ncrest = 3", r"line 2, key combs\.crest: 3 is no dict"),
        ("[loci]\nlocus = 3", r"line 2, key loci\.locus: 3 is no dict"),
        ("[loci.map]\nx = 1", r"line 1, key loci\.map: no key of ours"),
        ("[loci.locus]\nNa = 3", r"line 2, key loci\.locus\.Na: 3 is no dict"),
        ("[loci.locus.R]\nlethal = true", r"line 2, key loci\.locus\.R\.lethal: True is no number"),
        ("[loci.linkage.pea-egg]\nhen = 'x'", r"line 2.*'x' is no list of recombination"),
        ("[loci.linkage.pea-egg]\nhen = ['x']", r"line 2.*'x' is no list of recombination"),
        ("[loci.locus.R]\nshows = ['a']", r"line 2.*1 entries; needed are 3"),
        ("[settling.minutes]\nphoto = -1", r"line 2.*-1.* must be 0 or more"),
        ("[combs.crest]\nfolds = nan", r"line 2, key combs\.crest\.folds: nan is no probab"),
    ],
)
def test_a_mistake_is_told_with_its_line_and_key(text, said):
    with pytest.raises(numbers.NumbersError, match=said):
        numbers.read(text, "mine.toml")
