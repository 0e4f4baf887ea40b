"""From a flock and what was seen of it to every bird's posterior: R and P, crest, beard."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from genetics.answers import Posterior
from genetics.combs import founder_prior, hardy_weinberg, penetrance, tables, varieties
from genetics.counts import mating_likelihood
from genetics.cross import locus_transmission, transmission
from genetics.genotype import all_loci
from genetics.kinship import Parentage
from genetics.pedigree import Layer, Pair, Rows, pedigree_of
from genetics.posterior import infer_layers
from service.flock.counts_csv import Counted
from service.flock.evidence import Array, Evidence
from service.flock.flock_csv import Flock, complain
from service.wording.sentences import Message

Progress = Callable[[float], None]
# Largest difference of a layered answer from the exact one on lines of 170 birds, as measured by
# benchmarks/layered.py.
LAYERED_WITHIN = 0.001


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
    crest_priors: Array
    """(n, 3)"""
    beard_priors: Array
    """(n, 3)"""
    counted: tuple[Counted, ...] = ()
    parentage: dict[int, Array] = field(default_factory=dict)
    """By row with several possible parents: chance of each pair (sires, dams), by their rows."""
    around: dict[int, Array] = field(default_factory=dict)
    """By row of `joints`, R and P with crest (9, 3) without the bird's own evidence."""

    @property
    def method(self) -> str:
        """'exact', 'layered' or 'approximate', the least exact of any bird."""
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
    if method == "layered":
        return Message("layered", error=LAYERED_WITHIN) if converged else Message("layered_late")
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
    """Return counts without bands as evidence on the parents, which may be wrong altogether."""
    slip = float(tables()["person"]["wrong_count"])
    return tuple(Pair(c.sire, c.dam, fit_of_counts(c) + slip) for c in counted)


def fit_of_counts(counted: Counted) -> Array:
    """Return counts of a mating as a likelihood (9, 9) of the parents, scaled to a mean of 1."""
    found = mating_likelihood(counted.chicks)
    return np.asarray(found / found.mean())


def infer_flock(
    flock: Flock,
    evidence: Sequence[Evidence],
    counted: Sequence[Counted] = (),
    progress: Progress | None = None,
) -> Inference:
    """Posteriors of all birds. Exact where possible, else layered, else sampled from a fixed seed.

    Raises PedigreeError if not even that is possible, FlockError for an unknown variety.
    """
    names = [variety_of(flock, row) for row in range(len(flock.birds))]
    by_name = {name: founder_prior(name) for name in set(names)}
    priors = np.array([by_name[v] for v in names]).reshape(-1, 9)
    likelihoods = np.array([e.on_genotypes for e in evidence]).reshape(-1, 9)
    coupling = {i: e.coupling for i, e in enumerate(evidence)}
    tables = {i: table for i, table in coupling.items() if table is not None}
    # Coupled birds bring all their evidence in the coupling table.
    own = likelihoods.copy()
    own[list(tables)] = 1

    def layer(symbol: str, seen: list[Array]) -> Layer:
        by_name = {name: hardy_weinberg(symbol, name) for name in set(names)}
        prior = np.array([by_name[v] for v in names]).reshape(-1, 3)
        return Layer(locus_transmission(), prior, np.array(seen).reshape(-1, 3))

    layers = [
        comb_layer(own, priors, counted),
        layer("Cr", [e.on_crest for e in evidence]),
        layer("Mb", [e.on_beard for e in evidence]),
    ]
    rng = np.random.default_rng(0)
    joint = infer_layers(
        flock.sire, flock.dam, layers, tables, rng, progress, flock.candidate_parents
    )
    combs, crest, beard = joint.layers
    return Inference(
        combs,
        crest,
        beard,
        joints=joint.coupled,
        likelihoods=likelihoods,
        priors=priors,
        crest_priors=np.asarray(layers[1].prior),
        beard_priors=np.asarray(layers[2].prior),
        counted=tuple(counted),
        parentage=joint.parentage,
        around=joint.around,
    )


def infer_again(
    flock: Flock,
    evidence: Sequence[Evidence],
    counted: Sequence[Counted],
    before: Inference,
    changed: Sequence[int],
) -> Inference:
    """Posteriors after new evidence of some rows, from those before.

    Only birds that hang together with the changed ones by parents or matings are worked out again.
    Raises what `infer_flock` raises.
    """
    pedigree = pedigree_of(flock.sire, flock.dam, flock.candidate_parents)
    nothing = np.zeros((0, 0))
    components = pedigree.components([Pair(c.sire, c.dam, nothing) for c in counted])
    rows = np.flatnonzero(np.isin(components, components[list(changed)]))
    if len(rows) == len(flock.birds):
        return infer_flock(flock, evidence, counted)
    few = pedigree.subset(rows)
    place = {row: i for i, row in enumerate(rows.tolist())}
    part = Flock(
        tuple(flock.birds[row] for row in rows.tolist()),
        tuple(few.sire.tolist()),
        tuple(few.dam.tolist()),
        dict(few.candidates),
    )
    mine = [i for i, c in enumerate(counted) if c.sire in place]
    now = infer_flock(
        part,
        [evidence[row] for row in rows.tolist()],
        [replace(counted[i], sire=place[counted[i].sire], dam=place[counted[i].dam]) for i in mine],
    )
    likelihoods = before.likelihoods.copy()
    likelihoods[rows] = now.likelihoods

    def by_row(was: dict[int, Array], here: dict[int, Array]) -> dict[int, Array]:
        """Tables of all birds, those of `rows` anew."""
        kept = {row: table for row, table in was.items() if row not in place}
        return kept | {int(rows[i]): table for i, table in here.items()}

    return replace(
        before,
        combs=patched(before.combs, now.combs, rows, mine),
        crest=patched(before.crest, now.crest, rows, []),
        beard=patched(before.beard, now.beard, rows, []),
        joints=by_row(before.joints, now.joints),
        around=by_row(before.around, now.around),
        parentage=by_row(before.parentage, now.parentage),
        likelihoods=likelihoods,
    )


def patched(before: Posterior, now: Posterior, rows: Rows, matings: Sequence[int]) -> Posterior:
    """Return a posterior with some rows anew; `matings` are the counts among them."""
    tables = {}
    for name in ("marginals", "cavities", "seen"):
        tables[name] = getattr(before, name).copy()
        tables[name][rows] = getattr(now, name)
    inside = set(rows.tolist())
    families = {row: table for row, table in before.families.items() if row not in inside}
    families |= {int(rows[i]): table for i, table in now.families.items()}
    methods = np.array(before.methods, dtype=object)
    methods[rows] = now.methods
    counted = list(before.matings)
    for i, table in zip(matings, now.matings, strict=False):
        counted[i] = table
    return replace(
        before,
        **tables,
        families=families,
        methods=tuple(methods.tolist()),
        matings=tuple(counted),
        log_evidence=float("nan"),
        error=max(before.error, now.error),
        converged=before.converged and now.converged,
    )


def comb_layer(likelihoods: Array, priors: Array, counted: Sequence[Counted]) -> Layer:
    """Genotypes at R and P: how they are inherited, what founders have, what was seen (n, 9)."""
    return Layer(np.asarray(transmission()), priors, likelihoods, pairs_of(counted))


def crest_chance(inference: Inference, row: int, noted: bool | None) -> bool | float:
    """Whether a bird has a crest: as noted, else its chance by what is known of its relatives."""
    if noted is not None:
        return noted
    # What its own comb says of a crest (a fold needs one) is no part of it, or it counted twice.
    around = inference.around.get(row)
    chances = inference.crest.cavities[row] if around is None else around.sum(0)
    return float(chances @ np.array(all_loci()["Cr"].seen))


def comb_table(inference: Inference, row: int, noted: bool | None) -> Array:
    """Return what comb each genotype shows (9, 6), by what is known of the crest otherwise."""
    around = inference.around.get(row)
    if around is None:
        return penetrance(crest_chance(inference, row, noted))
    known = np.maximum(around.sum(1), 1e-300)
    crested = (around @ np.array(all_loci()["Cr"].seen) / known)[:, None]
    return np.asarray(crested * penetrance(True) + (1 - crested) * penetrance(False))


def shown_combs(inference: Inference, row: int, seen: Evidence) -> Array:
    """Chances of the combs (6,) by all that is known of a bird but for how its comb was read."""
    others, own = inference.combs.cavities[row], seen.wattles * seen.genotype
    before = others * own if (others * own).sum() > 0 else others
    found = before @ comb_table(inference, row, seen.crest)
    return np.asarray(found / found.sum())


def parentage_of(flock: Flock, inference: Inference) -> dict[int, Parentage]:
    """Return possible parents with their chances, by row of the birds that have several."""
    found = {}
    for row, some in flock.candidate_parents.items():
        sires = tuple(sorted(some.sires)) or (flock.sire[row],)
        dams = tuple(sorted(some.dams)) or (flock.dam[row],)
        even = np.full((len(sires), len(dams)), 1 / (len(sires) * len(dams)))
        found[row] = Parentage(sires, dams, inference.parentage.get(row, even))
    return found
