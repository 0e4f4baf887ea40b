"""A standing network against the whole work done anew."""

import numpy as np
import pytest

from genetics.combs import founder_prior
from genetics.cross import transmission
from genetics.incremental import BucketTree
from genetics.pedigree import Layer, network
from genetics.variable_elimination import Impossible, TooWide, normalise, propagate
from tests.genetics.test_pedigree import random_pedigree


def flock(rng, birds):
    sire, dam = random_pedigree(rng, birds)
    layer = Layer(np.asarray(transmission()), founder_prior(), rng.random((birds, 9)) ** 2)
    return network(sire, dam, layer, 0)


@pytest.mark.parametrize("seed", range(25))
def test_changed_evidence_gives_what_the_whole_work_would(seed):
    rng = np.random.default_rng(seed)
    birds = int(rng.integers(2, 14))
    factors, own = flock(rng, birds)
    sizes = [9] * birds
    standing = BucketTree(factors, own, sizes)
    for _ in range(6):
        variable = int(rng.integers(birds))
        own[variable] = normalise((variable,), rng.random(9) ** 3)
        standing.change(variable, own[variable])
        whole = propagate(factors, own, sizes)
        for asked in rng.permutation(birds)[: int(rng.integers(1, birds + 1))]:
            belief, others = standing.belief(int(asked))
            assert np.abs(belief - whole.marginals[asked]).max() < 1e-10
            assert np.abs(others - whole.cavities[asked]).max() < 1e-10
        assert standing.log_evidence == pytest.approx(whole.log_evidence, abs=1e-9)


def test_impossible_evidence_is_refused_and_leaves_everything_as_it_was():
    factors, own = flock(np.random.default_rng(3), 5)
    pure = np.eye(9)
    own = [normalise((i,), np.ones(9)) for i in range(5)]
    sire, dam = [-1, -1, 0, 0, 2], [-1, -1, 1, 1, 3]
    layer = Layer(np.asarray(transmission()), founder_prior(), np.ones((5, 9)))
    factors, _ = network(sire, dam, layer, 0)
    standing = BucketTree(factors, own, [9] * 5)
    for parent in (0, 1):
        standing.change(parent, normalise((parent,), pure[8]))
    before = standing.belief(4)[0]
    with pytest.raises(Impossible):
        standing.change(4, normalise((4,), pure[0]))
    assert np.array_equal(standing.belief(4)[0], before)


def test_a_network_that_is_too_wide_says_so():
    factors, own = flock(np.random.default_rng(1), 10)
    with pytest.raises(TooWide):
        BucketTree(factors, own, [9] * 10, most=9)
