"""Exact inference against brute force, pgmpy-free: every genotype of every bird enumerated."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from genetics.combs import founder_prior
from genetics.cross import transmission
from genetics.pedigree import Impossible, PedigreeError, TooWide, infer


def brute_force(sire, dam, likelihoods, prior):
    """Marginals and log evidence by the sum over all 9^n genotypes."""
    n, inherit = len(sire), transmission()
    marginals, total = np.zeros((n, 9)), 0.0
    for genotypes in itertools.product(range(9), repeat=n):
        weight = 1.0
        for i, g in enumerate(genotypes):
            s, d = sire[i], dam[i]
            weight *= likelihoods[i, g]
            if s < 0 and d < 0:
                weight *= prior[g]
            elif s < 0 or d < 0:
                known = genotypes[max(s, d)]
                weight *= sum(prior[u] * inherit[u, known, g] for u in range(9))
            else:
                weight *= inherit[genotypes[s], genotypes[d], g]
        total += weight
        for i, g in enumerate(genotypes):
            marginals[i, g] += weight
    return marginals / total, np.log(total)


def random_pedigree(rng, n):
    sire, dam = [-1] * n, [-1] * n
    for i in range(1, n):
        draw = rng.random()
        if draw < 0.7 and i >= 2:
            sire[i], dam[i] = (int(v) for v in rng.choice(i, 2, replace=False))
        elif draw < 0.85:
            sire[i] = int(rng.integers(i))
    return sire, dam


@pytest.mark.parametrize("seed", range(20))
def test_equals_brute_force_on_small_pedigrees_with_loops(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 5))
    sire, dam = random_pedigree(rng, n)
    likelihoods, prior = rng.random((n, 9)), founder_prior()
    answer = infer(sire, dam, likelihoods, prior)
    marginals, log_evidence = brute_force(sire, dam, likelihoods, prior)
    assert np.abs(answer.marginals - marginals).max() < 1e-12
    assert answer.log_evidence == pytest.approx(log_evidence, abs=1e-10)


def test_others_is_the_posterior_without_the_birds_own_evidence():
    rng = np.random.default_rng(5)
    sire, dam = [-1, -1, 0, 0], [-1, -1, 1, 2]
    likelihoods = rng.random((4, 9))
    answer = infer(sire, dam, likelihoods, founder_prior())
    for bird in range(4):
        silent = likelihoods.copy()
        silent[bird] = 1
        without = infer(sire, dam, silent, founder_prior())
        assert np.allclose(answer.others[bird], without.marginals[bird], atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 12))
def test_order_of_birds_does_not_matter(seed, n):
    rng = np.random.default_rng(seed)
    sire, dam = random_pedigree(rng, n)
    likelihoods = rng.random((n, 9))
    try:
        answer = infer(sire, dam, likelihoods, founder_prior())
    except TooWide:
        return
    shuffle = rng.permutation(n)
    place = {int(old): new for new, old in enumerate(shuffle)}
    place[-1] = -1
    again = infer(
        [place[sire[i]] for i in shuffle],
        [place[dam[i]] for i in shuffle],
        likelihoods[shuffle],
        founder_prior(),
    )
    assert np.allclose(again.marginals, answer.marginals[shuffle], atol=1e-10)
    assert np.allclose(answer.marginals.sum(1), 1, atol=1e-12)


def test_uninformative_evidence_changes_nothing():
    prior = founder_prior()
    answer = infer([-1, -1, 0], [-1, -1, 1], np.ones((3, 9)), prior)
    # Hardy-Weinberg: with random mating the chicks have their parents' frequencies.
    assert np.allclose(answer.marginals, prior, atol=1e-12)
    assert answer.log_evidence == pytest.approx(0, abs=1e-12)


def test_impossible_records_are_an_error():
    likelihoods = np.zeros((3, 9))
    likelihoods[0, 8] = likelihoods[1, 8] = likelihoods[2, 0] = 1
    with pytest.raises(Impossible):
        infer([-1, -1, 0], [-1, -1, 1], likelihoods, founder_prior())


@pytest.mark.parametrize(
    ("sire", "dam"), [([1, 0], [-1, -1]), ([0], [-1]), ([5], [-1]), ([-1, 0], [-1, 0])]
)
def test_cycles_and_bad_rows_are_errors(sire, dam):
    with pytest.raises(PedigreeError):
        infer(sire, dam, np.ones((len(sire), 9)), founder_prior())
