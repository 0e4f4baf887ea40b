"""The approximate method beside the exact one, where both can answer."""

import numpy as np
import pytest

from genetics.combs import founder_prior
from genetics.cross import transmission
from genetics.cutset_sampling import CutsetSampler
from genetics.errors import PedigreeError, TooWide
from genetics.pedigree import Layer, Pair
from genetics.posterior import infer, infer_layers
from genetics.variable_elimination import propagate
from tests.genetics.networks import plain_network


def crowded(seed, generations=3, birds=5):
    """A closed flock: every chick has two parents drawn from the generation before."""
    rng = np.random.default_rng(seed)
    sire, dam = [-1] * birds, [-1] * birds
    for _ in range(generations):
        start = len(sire) - birds
        for _ in range(birds):
            a, b = rng.choice(birds, 2, replace=False)
            sire.append(start + int(a))
            dam.append(start + int(b))
    return sire, dam, rng


@pytest.mark.parametrize(
    "seed", [1, *(pytest.param(seed, marks=pytest.mark.long) for seed in (0, 2))]
)
def test_sampling_comes_close_to_the_exact_answer(seed):
    sire, dam, rng = crowded(seed)
    layer = Layer(np.asarray(transmission()), founder_prior(), rng.random((len(sire), 9)) ** 3)
    factors, own = plain_network(sire, dam, layer)
    sizes = [9] * len(sire)
    exact = propagate(factors, own, sizes, watched=[len(factors) - 1])
    sampler = CutsetSampler(np.random.default_rng(seed))
    # Tables of three birds at most: most of the flock is left to the sampler.
    sampled = propagate(factors, own, sizes, [len(factors) - 1], sampler, most=9**3)
    assert sampler.sweeps > 0
    assert 0 < sampler.error < 0.004
    gap = np.abs(np.array(sampled.marginals) - np.array(exact.marginals)).max()
    assert gap < 5 * sampler.error
    (name,) = exact.contexts
    one, other = (found.contexts[name] * factors[name].table for found in (sampled, exact))
    assert np.abs(one / one.sum() - other / other.sum()).max() < 0.01


@pytest.mark.slow
def test_records_that_strike_out_genotypes_still_leave_a_start():
    # Known genotypes make most states impossible: chains must start among those that fit.
    sire, dam, _ = crowded(7)
    truth = simulated(sire, dam, np.random.default_rng(3))
    known = np.ones((len(sire), 9))
    for bird in range(0, len(sire), 3):
        known[bird] = np.eye(9)[truth[bird]]
    layer = Layer(np.asarray(transmission()), founder_prior(), known)
    factors, own = plain_network(sire, dam, layer)
    exact = propagate(factors, own, [9] * len(sire))
    sampler = CutsetSampler(np.random.default_rng(0))
    sampled = propagate(factors, own, [9] * len(sire), (), sampler, most=9**2)
    assert np.abs(np.array(sampled.marginals) - np.array(exact.marginals)).max() < 0.015


def simulated(sire, dam, rng):
    """Genotypes dropped through a pedigree."""
    genes = []
    for s, d in zip(sire, dam, strict=True):
        law = founder_prior() if s < 0 else transmission()[genes[s], genes[d]]
        genes.append(int(rng.choice(9, p=law)))
    return genes


@pytest.mark.long
def test_known_genotypes_make_a_flock_exact_that_is_too_wide_without_them():
    sire, dam, rng = crowded(1, generations=3, birds=14)
    soft = rng.random((len(sire), 9))
    with pytest.raises(TooWide, match="too complex"):
        infer(sire, dam, soft, founder_prior())
    truth = simulated(sire, dam, rng)
    known = soft.copy()
    for bird in (b for b in range(56) if b % 3):
        known[bird] = np.eye(9)[truth[bird]]
    answer = infer(sire, dam, known, founder_prior())
    assert answer.method == "exact"
    # The same by conditioning: the joint of all evidence doesn't depend on how it is summed.
    sampler = CutsetSampler(np.random.default_rng(0), most_sweeps=200)
    factors, own = plain_network(
        sire, dam, Layer(np.asarray(transmission()), founder_prior(), known)
    )
    sampled = propagate(factors, own, [9] * len(sire), (), sampler, most=9**2)
    assert np.abs(answer.marginals - np.array(sampled.marginals)).max() < 0.015


@pytest.mark.long
def test_what_is_too_wide_is_answered_when_chance_is_passed_in_and_says_approximate():
    sire, dam, rng = crowded(1, generations=2, birds=14)
    likelihoods = rng.random((len(sire), 9))
    heard = []
    layer = Layer(np.asarray(transmission()), founder_prior(), likelihoods)
    answer = infer_layers(
        sire, dam, [layer], rng=np.random.default_rng(0), progress=heard.append
    ).layers[0]
    assert answer.method == "approximate"
    assert 0 < answer.error < 0.002
    assert np.isnan(answer.log_evidence)
    assert np.allclose(answer.marginals.sum(1), 1, atol=1e-12)
    assert heard[-1] <= 1
    again = infer(sire, dam, likelihoods, founder_prior(), rng=np.random.default_rng(0))
    assert np.array_equal(again.marginals, answer.marginals)
    other = infer(sire, dam, likelihoods, founder_prior(), rng=np.random.default_rng(1))
    assert np.abs(other.marginals - answer.marginals).max() < 0.01


def test_counts_of_a_mating_are_evidence_and_need_a_recorded_mating():
    sire, dam = [-1, -1, 0], [-1, -1, 1]
    table = np.random.default_rng(0).random((9, 9))
    plain = np.ones((3, 9))
    answer = infer(sire, dam, plain, founder_prior(), [Pair(0, 1, table)])
    joint = np.outer(founder_prior(), founder_prior()) * table
    joint = joint / joint.sum()
    assert np.allclose(answer.marginals[0], joint.sum(1), atol=1e-12)
    chick = np.einsum("sd,sdc->c", joint, transmission())
    assert np.allclose(answer.marginals[2], chick, atol=1e-12)
    with pytest.raises(PedigreeError, match="no such mating is recorded"):
        infer(sire, dam, plain, founder_prior(), [Pair(0, 7, table)])


def test_a_prior_that_does_not_sum_to_one_is_refused():
    with pytest.raises(PedigreeError, match=r"row 1: probabilities sum to 0\.9"):
        infer([-1, -1], [-1, -1], np.ones((2, 9)), np.array([np.full(9, 1 / 9), np.full(9, 0.1)]))
