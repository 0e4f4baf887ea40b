"""From a flock and what was seen of it to every bird's posterior: R and P, crest, beard."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from genetics.combs import founder_prior, hardy_weinberg, varieties
from genetics.counts import mating_likelihood
from genetics.cross import locus_transmission, transmission
from genetics.genotype import all_loci
from genetics.pedigree import Impossible, Layer, Pair, Posterior, infer_layers
from service.flock.counts_csv import Counted
from service.flock.evidence import Array, Evidence
from service.flock.flock_csv import Flock, complain
from service.wording.sentences import Message

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Inference:
    """Posteriors of a flock."""

    combs: Posterior
    """Genotypes at R and P."""
    crest: Posterior
    beard: Posterior
    joints: dict[int, Array]
    """By row, R and P with crest (9, 3), for birds whose comb couples them."""
    likelihoods: Array
    """(n, 9): what each bird's own evidence says of R and P."""
    priors: Array
    """(n, 9): what is taken of a founder of its variety."""
    counted: tuple[Counted, ...] = ()

    @property
    def method(self) -> str:
        """'exact' or 'approximate'."""
        return self.combs.method

    @property
    def caution(self) -> Message | None:
        """What every output must say of an approximate answer; None if it is exact."""
        return caution(self.combs.method, self.combs.error, self.combs.converged)


def caution(method: str, error: float, converged: bool) -> Message | None:
    """Return what every output says of an approximate answer; None for an exact one.

    >>> caution('exact', 0.0, True)
    """
    if method == "exact":
        return None
    return Message("approximate" if converged else "approximate_late", error=error)


def variety_of(flock: Flock, row: int, name: str = "flock.csv") -> str:
    """Return the variety of a bird as `varieties.toml` names it.

    FlockError for one that it doesn't.
    """
    bird = flock.birds[row]
    variety = bird.extra.get("variety", "") or "unknown"
    if variety not in varieties():
        known = tuple(varieties())
        raise complain(
            name, bird.line, "variety", variety, "unknown_variety", of=bird.bird, known=known
        )
    return variety


def pairs_of(counted: Sequence[Counted]) -> tuple[Pair, ...]:
    """Return counts without bands as evidence on the parents."""
    return tuple(Pair(c.sire, c.dam, mating_likelihood(c.chicks)) for c in counted)


def infer_flock(
    flock: Flock,
    evidence: Sequence[Evidence],
    counted: Sequence[Counted] = (),
    progress: Progress | None = None,
) -> Inference:
    """Posteriors of all birds. Exact where possible, else sampled from a fixed seed.

    Raises PedigreeError if not even that is possible, FlockError for an unknown variety.
    """
    count = len(flock.birds)
    names = [variety_of(flock, row) for row in range(count)]
    priors = np.array([founder_prior(v) for v in names]).reshape(-1, 9)
    likelihoods = np.array([e.on_genotypes for e in evidence]).reshape(-1, 9)
    coupling = {i: e.coupling for i, e in enumerate(evidence)}
    tables = {i: table for i, table in coupling.items() if table is not None}
    # Coupled birds bring all their evidence in the coupling table.
    own = likelihoods.copy()
    own[list(tables)] = 1

    def layer(symbol: str, seen: list[Array]) -> Layer:
        prior = np.array([hardy_weinberg(symbol, v) for v in names]).reshape(-1, 3)
        return Layer(locus_transmission(), prior, np.array(seen).reshape(-1, 3))

    crest = layer("Cr", [e.on_crest for e in evidence])
    beard = layer("Mb", [e.on_beard for e in evidence])
    for slack in (0.0, 1e-4):
        # Records may contradict each other; then each is given a small error probability.
        tops = own.max(1, keepdims=True) if count else own
        combs = comb_layer(own + slack * tops, priors, counted)
        soft = {i: t + slack * t.max() for i, t in tables.items()}
        rng = np.random.default_rng(0)
        try:
            found, crests, joints = combs_and_crest(flock, combs, crest, soft, rng, progress)
            break
        except Impossible:
            if slack:
                raise
    beards = infer_layers(
        flock.sire, flock.dam, [beard], rng=rng, possible=flock.candidate_parents
    ).layers[0]
    rows = likelihoods + slack * (likelihoods.max(1, keepdims=True) if count else 0)
    return Inference(found, crests, beards, joints, rows, priors, tuple(counted))


def combs_and_crest(
    flock: Flock,
    combs: Layer,
    crest: Layer,
    coupling: dict[int, Array],
    rng: np.random.Generator,
    progress: Progress | None,
) -> tuple[Posterior, Posterior, dict[int, Array]]:
    """Infer R and P, and the crest; together where a bird's comb couples them.

    Returns both posteriors, and by row the joint (9, 3) of the birds that couple them.
    """
    ask = (flock.sire, flock.dam)
    if not coupling:
        found = infer_layers(
            *ask, [combs], rng=rng, progress=progress, possible=flock.candidate_parents
        )
        return found.layers[0], alone(flock, crest), {}
    both = infer_layers(*ask, [combs, crest], coupling, rng, progress, flock.candidate_parents)
    first, second = both.layers
    return with_context(first, both.around, crest.likelihoods), second, both.coupled


_kept: OrderedDict[bytes, Posterior] = OrderedDict()
MOST_KEPT = 512


def alone(flock: Flock, layer: Layer) -> Posterior:
    """Posterior of a layer that nothing couples to others, kept by the content that it rests on.

    A new reading of a comb leaves crest and beard as they were; they needn't be summed again.
    """
    content = hashlib.sha256(repr((flock.sire, flock.dam, flock.candidate_parents)).encode())
    for table in (layer.transmission, layer.prior, layer.likelihoods):
        content.update(np.ascontiguousarray(table, float).tobytes())
    key = content.digest()
    found = _kept.get(key)
    if found is None:
        rng = np.random.default_rng(0)
        found = infer_layers(
            flock.sire, flock.dam, [layer], rng=rng, possible=flock.candidate_parents
        ).layers[0]
        _kept[key] = found
        while len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)
    return found


def comb_layer(likelihoods: Array, priors: Array, counted: Sequence[Counted]) -> Layer:
    """Genotypes at R and P: how they are inherited, what founders have, what was seen (n, 9)."""
    return Layer(np.asarray(transmission()), priors, likelihoods, pairs_of(counted))


def with_context(posterior: Posterior, around: dict[int, Array], crest: Array) -> Posterior:
    """Return the posterior with `others` of coupled birds freed of their own evidence."""
    others = posterior.cavities.copy()
    for row, table in around.items():
        free = table @ crest[row]
        others[row] = free / free.sum()
    return Posterior(
        posterior.marginals,
        others,
        posterior.log_evidence,
        posterior.method,
        posterior.error,
        posterior.converged,
    )


def crest_chance(inference: Inference, row: int, noted: bool | None) -> bool | float:
    """Whether a bird has a crest: as noted, else its chance by what is known of its relatives."""
    if noted is not None:
        return noted
    return float(inference.crest.cavities[row] @ np.array(all_loci()["Cr"].seen))
