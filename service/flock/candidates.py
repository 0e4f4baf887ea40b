"""Genotype candidates for every bird of a flock: readings, wattles, pedigree, in one ledger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from classifier.reading import Reading
from classifier.vocabulary import SPOKEN
from genetics.combs import CLASSES, comb_given_genotype
from genetics.evidence import on_genotypes
from genetics.genotype import NAMES, all_loci
from service.flock.conflicts import conflict
from service.flock.counts_csv import Counted
from service.flock.evidence import Array, Evidence, evidence_of, together
from service.flock.flock_csv import Flock
from service.flock.inference import (
    Inference,
    Progress,
    caution,
    crest_chance,
    infer_flock,
    variety_of,
)


@dataclass(frozen=True)
class Entry:
    """A line of the evidence ledger.

    `ratio` is the likelihood ratio of the bird's best genotype against all the others together,
    these as common as among founders: above 1 the piece speaks for it, below 1 against it.
    `expected` is the probability of all evidence with the piece over that without it, where 1 is
    a piece that says nothing: below 1 it came as a surprise.
    """

    evidence: str
    says: str
    ratio: float
    expected: float = 1.0


@dataclass(frozen=True)
class Candidate:
    """What is known of one bird."""

    bird: str
    genotypes: dict[str, float]
    combs: dict[str, float]
    conflict: str | None
    ledger: tuple[Entry, ...]
    crest: dict[str, float] = field(default_factory=dict)
    """By genotype at the crest locus."""
    beard: dict[str, float] = field(default_factory=dict)
    """By genotype at the beard locus."""
    with_crest: dict[str, float] = field(default_factory=dict)
    """By genotype at R, P and crest, where the comb read couples them."""
    variety: str = "unknown"
    method: str = "exact"
    """'exact', or 'approximate' where the flock was too entangled."""
    error: float = 0.0
    """Largest standard error of a probability, if approximate."""
    converged: bool = True

    @property
    def caution(self) -> str:
        """What to say of an approximate answer; empty if it is exact."""
        return caution(self.method, self.error, self.converged)

    def as_json(self) -> dict[str, object]:
        """The contract's JSON object."""

        def told(table: dict[str, float]) -> dict[str, float]:
            return {k: round(v, 9) for k, v in table.items()}

        answer: dict[str, object] = {
            "bird": self.bird,
            "genotypes": told(self.genotypes),
            "combs": told(self.combs),
            "conflict": self.conflict,
            "ledger": [
                {
                    "evidence": e.evidence,
                    "says": e.says,
                    "likelihood_ratio": float(f"{e.ratio:.6g}"),
                    "with_over_without": float(f"{e.expected:.6g}"),
                }
                for e in self.ledger
            ],
            "crest": told(self.crest),
            "beard": told(self.beard),
            "variety": self.variety,
            "method": self.method,
        }
        if self.with_crest:
            answer["with_crest"] = told(self.with_crest)
        if self.method != "exact":
            answer["standard_error"] = float(f"{self.error:.3g}")
            answer["converged"] = self.converged
        return answer


def as_candidate(content: dict[str, Any]) -> Candidate:
    """The candidate that a row's JSON was made from."""
    return Candidate(
        bird=content["bird"],
        genotypes=content["genotypes"],
        combs=content["combs"],
        conflict=content["conflict"],
        ledger=tuple(
            Entry(e["evidence"], e["says"], e["likelihood_ratio"], e["with_over_without"])
            for e in content["ledger"]
        ),
        crest=content["crest"],
        beard=content["beard"],
        with_crest=content.get("with_crest", {}),
        variety=content["variety"],
        method=content["method"],
        error=content.get("standard_error", 0.0),
        converged=content.get("converged", True),
    )


def best_ratio(likelihood: Array, weights: Array, best: int) -> float:
    """Likelihood of the best genotype over the mean of the rest, weighed by `weights` (9,)."""
    rest = np.delete(weights, best)
    if rest.sum() <= 0:
        return 1.0
    alternative = float((np.delete(likelihood, best) * rest).sum() / rest.sum())
    return float(likelihood[best] / alternative) if alternative > 0 else 1e9


def surprise(before: Array, likelihood: Array) -> float:
    """Probability of a piece by what else is known (9,), over its mean as if nothing were known."""
    mean = float(likelihood.mean())
    return float(before @ likelihood) / float(before.sum()) / mean if mean > 0 else 1.0


def candidates(
    flock: Flock,
    readings: dict[str, list[Reading]],
    prior: Sequence[float],
    on: date | None,
    counted: Sequence[Counted] = (),
    progress: Progress | None = None,
) -> list[Candidate]:
    """Candidates for every bird, in the order of the flock.

    `readings` by band; `prior` is the training prior of the model that made them; `on` is the
    day for ages; `counted` are chicks scored without bands. Where the flock is too entangled for
    an exact answer it is approximate and says so; `progress` hears how much of that is done.
    Raises genetics.pedigree.PedigreeError where neither is possible.
    """
    evidence = [evidence_of(b, readings.get(b.bird, ()), prior, on) for b in flock.birds]
    inference = infer_flock(flock, evidence, counted, progress)
    return [describe(flock, row, evidence, inference) for row in range(len(flock.birds))]


def describe(
    flock: Flock,
    row: int,
    evidence: list[Evidence],
    inference: Inference,
    with_culprits: bool = True,
) -> Candidate:
    """The candidate of one row, with ledger and conflict."""
    bird, seen = flock.birds[row], evidence[row]
    marginal, others = inference.combs.marginals[row], inference.combs.others[row]
    crest = crest_chance(inference, row, seen.crest)
    before = others * seen.wattles * seen.genotype
    before = before / before.sum() if before.sum() > 0 else others
    after = (before @ comb_given_genotype(crest)) * seen.combs
    after = after / after.sum()
    joint = inference.joints.get(row)
    with_crest = {}
    if joint is not None:
        names = [f"{g} {c}" for g in NAMES for c in copies_written("Cr")]
        with_crest = dict(zip(names, joint.ravel().tolist(), strict=True))
    return Candidate(
        bird.bird,
        dict(zip(NAMES, marginal.tolist(), strict=True)),
        dict(zip(CLASSES, after.tolist(), strict=True)),
        conflict(flock, row, evidence, inference, with_culprits),
        tuple(ledger(flock, row, seen, inference, crest)),
        by_copies("Cr", inference.crest.marginals[row]),
        by_copies("Mb", inference.beard.marginals[row]),
        with_crest,
        variety_of(flock, row),
        inference.method,
        inference.combs.error,
        inference.combs.converged,
    )


def copies_written(symbol: str) -> list[str]:
    """The three genotypes of a locus, the dominant one first."""
    locus = all_loci()[symbol]
    a, b = locus.dominant, locus.recessive
    return [f"{a}/{a}", f"{a}/{b}", f"{b}/{b}"]


def by_copies(symbol: str, chances: Array) -> dict[str, float]:
    """Probabilities (3,) by genotype."""
    return dict(zip(copies_written(symbol), chances.tolist(), strict=True))


def ledger(
    flock: Flock, row: int, seen: Evidence, inference: Inference, crest: bool | float
) -> list[Entry]:
    """The evidence of one bird, piece by piece."""
    bird, founders = flock.birds[row], inference.priors[row]
    others = inference.combs.others[row]
    best = int(inference.combs.marginals[row].argmax())
    found = []
    from_parents = flock.sire[row] >= 0 or flock.dam[row] >= 0 or row in flock.possible
    if from_parents or not np.allclose(others, founders / founders.sum()):
        says = "what its chicks show"
        if from_parents:
            says = "from " + " x ".join(p or "unknown" for p in (bird.sire, bird.dam))
        chance = np.where(founders > 0, others / np.where(founders > 0, founders, 1), 0)
        found.append(Entry("relatives", says, best_ratio(chance, founders, best)))
    for mine in (c for c in inference.counted if row in (c.sire, c.dam)):
        mate = flock.birds[mine.dam if row == mine.sire else mine.sire].bird
        chicks = ", ".join(f"{n} {c.replace('_', ' ')}" for c, n in mine.chicks.items() if n)
        found.append(Entry("chicks counted", f"with {mate}: {chicks} (among the relatives)", 1.0))

    def add(name: str, says: str, likelihood: Array, rest: Array) -> None:
        ratio = best_ratio(likelihood, founders, best)
        found.append(Entry(name, says, ratio, surprise(others * rest, likelihood)))

    if bird.genotype:
        rest = on_genotypes(seen.combs, crest) * seen.wattles
        add("genotype on record", bird.genotype, seen.genotype, rest)
    photos = [look for look in seen.looks if not look.by_person]
    pool = on_genotypes(together(photos), crest)
    for look in seen.looks:
        says = SPOKEN.get(look.comb, look.comb) or "can't tell"
        if not look.by_person and len(photos) > 1:
            ratio = best_ratio(pool, founders, best)
            says += f" (one of {len(photos)} photos, pooled: together {ratio:.2g})"
        without = on_genotypes(together([x for x in seen.looks if x is not look]), crest)
        # What this look adds to the others: of pooled photos less than it would alone.
        added = on_genotypes(seen.combs, crest) / without
        entry_rest = without * seen.wattles * seen.genotype
        found.append(
            Entry(
                look.source,
                says,
                best_ratio(on_genotypes(look.likelihood, crest), founders, best),
                surprise(others * entry_rest, added),
            )
        )
    if seen.wattles_note:
        rest = on_genotypes(seen.combs, crest) * seen.genotype
        add("wattles", seen.wattles_note, seen.wattles, rest)
    return found
