"""Exact inference against pgmpy, a general library for Bayesian networks from the registry."""

import numpy as np
import pytest

from benchmarks.against_pgmpy import by_pgmpy, random_pedigree
from genetics.combs import founder_prior
from genetics.posterior import infer


@pytest.mark.parametrize("seed", range(50))
@pytest.mark.filterwarnings("ignore")
def test_marginals_equal_those_of_pgmpy_on_pedigrees_of_up_to_25_birds(seed):
    rng = np.random.default_rng(seed)
    sire, dam = random_pedigree(rng, int(rng.integers(3, 26)))
    likelihoods = rng.random((len(sire), 9))
    mine = infer(sire, dam, likelihoods, founder_prior()).marginals
    assert np.abs(mine - by_pgmpy(sire, dam, likelihoods)).max() < 1e-9
