"""Exact inference against brute force: the joint table of all genotypes of all birds."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from genetics.combs import founder_prior
from genetics.cross import transmission
from genetics.errors import Impossible, PedigreeError, TooWide
from genetics.pedigree import CandidateParents
from genetics.posterior import infer


def brute_force(sire, dam, likelihoods, prior):
    """Marginals and log evidence from the whole joint table of 9^n cells."""
    n, inherit = len(sire), transmission()
    joint = np.ones((9,) * n)

    def along(table, birds):
        order = np.argsort(birds)
        shape = [9 if i in birds else 1 for i in range(n)]
        return np.transpose(table, order).reshape(shape)

    for i in range(n):
        s, d = sire[i], dam[i]
        joint *= along(likelihoods[i], [i])
        if s < 0 and d < 0:
            joint *= along(prior, [i])
        elif s < 0 or d < 0:
            joint *= along(np.einsum("u,ukc->kc", prior, inherit), [max(s, d), i])
        else:
            joint *= along(inherit, [s, d, i])
    total = joint.sum()
    marginals = [joint.sum(tuple(k for k in range(n) if k != i)) / total for i in range(n)]
    return np.array(marginals), np.log(total)


def random_pedigree(rng, n):
    sire, dam = [-1] * n, [-1] * n
    for i in range(1, n):
        draw = rng.random()
        if draw < 0.7 and i >= 2:
            sire[i], dam[i] = (int(v) for v in rng.choice(i, 2, replace=False))
        elif draw < 0.85:
            sire[i] = int(rng.integers(i))
    return sire, dam


# 200 pedigrees, loops included; few of the largest, whose joint table has 43 million cells.
SIZES = [2, 3, 4, 5] * 38 + [6] * 38 + [7] * 8 + [8] * 2


@pytest.mark.parametrize(("seed", "n"), list(enumerate(SIZES)))
def test_equals_brute_force_on_random_pedigrees(seed, n):
    rng = np.random.default_rng(seed)
    sire, dam = random_pedigree(rng, n)
    likelihoods, prior = rng.random((n, 9)), founder_prior()
    answer = infer(sire, dam, likelihoods, prior)
    marginals, log_evidence = brute_force(sire, dam, likelihoods, prior)
    assert np.abs(answer.marginals - marginals).max() < 1e-10
    assert answer.log_evidence == pytest.approx(log_evidence, abs=1e-10)


def test_a_pair_with_two_hundred_chicks_is_no_trouble():
    chicks = 200
    sire, dam = [-1, -1, *[0] * chicks], [-1, -1, *[1] * chicks]
    rng = np.random.default_rng(3)
    likelihoods, prior = rng.random((chicks + 2, 9)), founder_prior()
    answer = infer(sire, dam, likelihoods, prior)
    # By hand: each chick is independent of the others given its parents.
    each = np.einsum("sdc,kc->ksd", transmission(), likelihoods[2:])
    logs = np.log(each).sum(0) + np.log(np.outer(prior * likelihoods[0], prior * likelihoods[1]))
    pair = np.exp(logs - logs.max())
    assert np.allclose(answer.marginals[0], pair.sum(1) / pair.sum(), atol=1e-10)
    first = np.einsum("sd,sdc,c->c", pair / each[0], transmission(), likelihoods[2])
    assert np.allclose(answer.marginals[2], first / first.sum(), atol=1e-10)


def test_a_thousand_birds_over_ten_generations_are_answered():
    rng = np.random.default_rng(0)
    sire, dam, before = [-1] * 4, [-1] * 4, [0, 1, 2, 3]
    for _ in range(10):
        now = []
        for hen in before[1:4]:
            for _ in range(33):
                now.append(len(sire))
                sire.append(before[0])
                dam.append(hen)
        before = [int(b) for b in rng.permutation(now)]
    answer = infer(sire, dam, rng.random((len(sire), 9)), founder_prior())
    assert np.allclose(answer.marginals.sum(1), 1, atol=1e-12)


def test_a_flock_that_is_too_entangled_is_refused_in_words():
    rng = np.random.default_rng(1)
    sire, dam = [-1] * 24, [-1] * 24
    for _ in range(6):
        start = len(sire) - 24
        for _ in range(24):
            a, b = rng.choice(24, 2, replace=False)
            sire.append(start + int(a))
            dam.append(start + int(b))
    with pytest.raises(TooWide, match="too complex"):
        infer(sire, dam, np.ones((len(sire), 9)), founder_prior())


def test_others_is_the_posterior_without_the_birds_own_evidence():
    rng = np.random.default_rng(5)
    sire, dam = [-1, -1, 0, 0], [-1, -1, 1, 2]
    likelihoods = rng.random((4, 9))
    answer = infer(sire, dam, likelihoods, founder_prior())
    for bird in range(4):
        silent = likelihoods.copy()
        silent[bird] = 1
        without = infer(sire, dam, silent, founder_prior())
        assert np.allclose(answer.cavities[bird], without.marginals[bird], atol=1e-12)


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


@pytest.mark.parametrize("seed", range(30))
def test_parents_that_are_one_of_several_equal_the_mixture_over_them(seed):
    """Every choice of parents worked out alone, weighed by how well it fits the records."""
    rng = np.random.default_rng(seed)
    # 0, 1, 2 cocks, 3, 4 hens, 5 and 6 chicks, 7 a chick of 5
    sire, dam = [-1, -1, 0, -1, -1, -1, -1, 5], [-1, -1, 3, -1, -1, 3, -1, 4]
    possible = {5: CandidateParents(sires=(0, 1, 2)), 6: CandidateParents((1, 2), (3, 4))}
    likelihoods, prior = rng.random((8, 9)) ** 3, founder_prior()
    answer = infer(sire, dam, likelihoods, prior, possible=possible)
    total, mixture = [], []
    for first in (0, 1, 2):
        for second in (1, 2):
            for mother in (3, 4):
                s, d = list(sire), list(dam)
                s[5], s[6], d[6] = first, second, mother
                one = infer(s, d, likelihoods, prior)
                total.append(one.log_evidence)
                mixture.append(one.marginals)
    weights = np.exp(np.array(total) - max(total))
    expected = np.tensordot(weights / weights.sum(), np.array(mixture), 1)
    assert np.abs(answer.marginals - expected).max() < 1e-10
    assert answer.log_evidence == pytest.approx(
        np.log(np.exp(np.array(total) - max(total)).mean()) + max(total), abs=1e-10
    )


def test_a_possible_parent_that_is_its_own_descendant_is_refused():
    with pytest.raises(PedigreeError, match="own ancestor"):
        infer(
            [-1, 0],
            [-1, -1],
            np.ones((2, 9)),
            founder_prior(),
            possible={0: CandidateParents((1,), ())},
        )
    with pytest.raises(PedigreeError, match="known and one of several"):
        infer(
            [-1, 0],
            [-1, -1],
            np.ones((2, 9)),
            founder_prior(),
            possible={1: CandidateParents((0,), ())},
        )
