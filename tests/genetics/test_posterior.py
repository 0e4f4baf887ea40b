"""Layers that hang together: joint answers against brute force, layered ones against joint."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from genetics import posterior
from genetics.combs import founder_prior, hardy_weinberg
from genetics.cross import locus_transmission, transmission
from genetics.evidence import from_person, from_sighting, on_genotypes, with_crest
from genetics.pedigree import CandidateParents, Layer
from genetics.posterior import infer_layers
from tests.genetics.test_pedigree import random_pedigree

NINE, THREE = np.asarray(transmission()), np.asarray(locus_transmission())
PRIORS = [founder_prior(), hardy_weinberg("Cr"), hardy_weinberg("Mb")]
COMBS = ["single", "crest_folded_single", "rose", "single_blade_pea", "triple_pea", "walnut"]


def brute_force(sire, dam, layers, coupling, candidates):
    """Joint distributions of all birds by one table of every genotype of every bird."""
    count, inherit, prior = len(sire), layers[0].transmission, np.asarray(layers[0].prior)
    for layer in layers[1:]:
        states = inherit.shape[0] * layer.states
        inherit = np.einsum("abc,xyz->axbycz", inherit, layer.transmission)
        inherit = inherit.reshape(states, states, states)
        prior = np.outer(prior, layer.prior).ravel()
    states = len(prior)
    joint = np.ones((states,) * count)

    def along(table, birds):
        shape = [states if i in birds else 1 for i in range(count)]
        return np.transpose(table, np.argsort(birds)).reshape(shape)

    for i in range(count):
        own = layers[0].likelihoods[i]
        for layer in layers[1:]:
            own = np.multiply.outer(own, layer.likelihoods[i])
        if i in coupling:
            own = own * coupling[i].reshape(coupling[i].shape + (1,) * (own.ndim - 2))
        some = candidates.get(i, CandidateParents())
        sires, dams = some.sires or (sire[i],), some.dams or (dam[i],)
        table = 0
        for s, d in product(sires, dams):
            if s < 0 and d < 0:
                one = along(prior, [i])
            elif s < 0 or d < 0:
                one = along(np.einsum("s,sdc->dc", prior, inherit), [max(s, d), i])
            else:
                one = along(inherit, [s, d, i])
            table = table + one / (len(sires) * len(dams))
        joint = joint * along(own.ravel(), [i]) * table
    shape = [layer.states for layer in layers]
    rest = [tuple(k for k in range(count) if k != i) for i in range(count)]
    return [(joint.sum(r) / joint.sum()).reshape(shape) for r in rest]


def drawn(seed, birds, kinds, several=True):
    """A random pedigree with combs and crests as people write them down, some crests not noted."""
    rng = np.random.default_rng(seed)
    sire, dam = random_pedigree(rng, birds)
    candidates = {}
    for i in range(3, birds):
        if several and sire[i] < 0 and rng.random() < 0.5:
            a, b, c = (int(v) for v in rng.choice(i, 3, replace=False))
            sire[i] = dam[i] = -1
            candidates[i] = CandidateParents((a, b), (c,) if rng.random() < 0.5 else ())
    likelihoods = [np.ones((birds, n)) for n in (9, 3, 3)[:kinds]]
    coupling = {}
    for i in range(birds):
        seen = from_person(str(rng.choice(COMBS)))
        crest = [True, False, None][int(rng.integers(3))]
        table = with_crest(seen) if crest is None else None
        if table is not None:
            coupling[i] = table
        else:
            likelihoods[0][i] = on_genotypes(seen, crest)
        likelihoods[1][i] = from_sighting("Cr", crest)
        if kinds > 2:
            likelihoods[2][i] = from_sighting("Mb", bool(rng.random() < 0.5))
    tables = [NINE, THREE, THREE]
    layers = [Layer(tables[n], PRIORS[n], likelihoods[n]) for n in range(kinds)]
    return sire, dam, layers, coupling, candidates


def gap(found, exact):
    """Largest difference of a marginal at any layer."""
    worst = 0.0
    for i, table in enumerate(exact):
        for number, layer in enumerate(found.layers):
            others = tuple(k for k in range(table.ndim) if k != number)
            worst = max(worst, float(np.abs(layer.marginals[i] - table.sum(others)).max()))
    return worst


@pytest.mark.parametrize("seed", range(25))
def test_joint_answers_equal_brute_force(seed):
    """R, P and crest of four birds, possible parents included: 27^4 cells."""
    sire, dam, layers, coupling, candidates = drawn(seed, 4, 2)
    found = infer_layers(sire, dam, layers, coupling, possible=candidates)
    exact = brute_force(sire, dam, layers, coupling, candidates)
    assert found.layers[0].method == "exact"
    assert gap(found, exact) < 1e-10
    for row, table in found.coupled.items():
        assert np.abs(table - exact[row]).max() < 1e-10


@pytest.mark.parametrize("seed", range(6))
def test_three_layers_that_share_possible_parents_equal_brute_force(seed):
    """Crest and beard tell about paternity for R and P too: 81^3 cells."""
    sire, dam, layers, coupling, _ = drawn(seed, 3, 3, several=False)
    sire, dam = [-1, -1, -1], [-1, -1, -1]
    candidates = {2: CandidateParents((0, 1), ())}
    found = infer_layers(sire, dam, layers, coupling, possible=candidates)
    assert gap(found, brute_force(sire, dam, layers, coupling, candidates)) < 1e-10


@pytest.mark.slow
def test_layered_answers_come_close_to_brute_force(monkeypatch):
    """150 small pedigrees with loops, combs drawn without regard to inheritance. Such families are
    answered jointly wherever layered isn't asked for by force."""
    monkeypatch.setattr(posterior, "joint_exactly", lambda flock, rows, found: np.arange(len(rows)))
    gaps = []
    for seed in range(150):
        sire, dam, layers, coupling, _ = drawn(seed, 4, 2, several=False)
        found = infer_layers(sire, dam, layers, coupling)
        assert found.layers[0].converged
        gaps.append(gap(found, brute_force(sire, dam, layers, coupling, {})))
    assert np.percentile(gaps, 95) < 1e-3
    assert max(gaps) < 3e-3


def test_a_bird_held_at_each_state_leaves_nothing_to_messages_where_two_are_coupled(monkeypatch):
    """With one of two coupled birds held, the layers meet at a single bird: no loop is left, and
    marginals, joint tables and what others say of each are those of brute force."""
    monkeypatch.setattr(posterior, "joint_exactly", lambda flock, rows, found: np.arange(len(rows)))
    sire, dam = [-1, -1, 0], [-1, -1, 1]
    likelihoods = [np.ones((3, 9)), np.ones((3, 3))]
    likelihoods[0][1] = on_genotypes(from_person("single"), False)
    seen = with_crest(from_person("walnut"))
    assert seen is not None
    coupling = {0: seen, 2: seen}
    layers = [Layer((NINE, THREE)[n], PRIORS[n], likelihoods[n]) for n in range(2)]
    found = infer_layers(sire, dam, layers, coupling)
    exact = brute_force(sire, dam, layers, coupling, {})
    assert found.layers[0].method == "layered"
    assert gap(found, exact) < 1e-8
    for row, table in found.coupled.items():
        assert np.abs(table - exact[row]).max() < 1e-3


def test_crest_tells_which_cock_it_was():
    """A crested chick of a crested (Cr/Cr) walnut cock or of a bare single one, on a bare hen: by
    Bayes' rule the odds of the first are those of a crest noted, 0.95 to 0.01 (loci.toml)."""
    likelihoods = [np.ones((4, 9)), np.ones((4, 3)), np.ones((4, 3))]
    likelihoods[0][0], likelihoods[0][1] = np.eye(9)[0], np.eye(9)[8]
    likelihoods[0][2] = np.eye(9)[8]
    for row, copies in ((0, 0), (1, 2), (2, 2)):
        likelihoods[1][row] = np.eye(3)[copies]
    likelihoods[1][3] = from_sighting("Cr", True)
    tables = [NINE, THREE, THREE]
    layers = [Layer(tables[n], PRIORS[n], likelihoods[n]) for n in range(3)]
    found = infer_layers(
        [-1] * 4, [-1, -1, -1, 2], layers, possible={3: CandidateParents((0, 1), ())}
    )
    chance = 0.95 / 0.96
    assert found.parentage[3].ravel() == pytest.approx([chance, 1 - chance], abs=1e-6)
    # And so of R and P: a chick of the walnut cock is R/r+ P/p+.
    assert found.layers[0].marginals[3][4] == pytest.approx(chance, abs=1e-9)
    assert found.layers[0].method == "exact"


def test_two_possible_cocks_and_three_possible_hens_with_crests_not_noted_are_exact():
    sire, dam = [-1] * 17, [-1] * 17
    candidates = {i: CandidateParents((0, 1), (2, 3, 4)) for i in range(5, 17)}
    rng = np.random.default_rng(0)
    likelihoods = [np.ones((17, 9)), np.ones((17, 3))]
    drawn_combs = {i: with_crest(from_person(str(rng.choice(COMBS[:3])))) for i in range(17)}
    coupling = {i: table for i, table in drawn_combs.items() if table is not None}
    layers = [Layer((NINE, THREE)[n], PRIORS[n], likelihoods[n]) for n in range(2)]
    found = infer_layers(sire, dam, layers, coupling, possible=candidates)
    assert found.layers[0].method == "exact"
    assert np.allclose(found.layers[0].marginals.sum(1), 1)
    assert set(found.parentage) == set(candidates)
