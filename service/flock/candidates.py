"""Genotype candidates for every bird of a flock: readings, wattles, pedigree, in one ledger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from classifier.reading import Reading
from genetics.combs import CLASSES
from genetics.evidence import on_genotypes
from genetics.genotype import NAMES, all_loci
from service.flock.conflicts import Conflict
from service.flock.contradictions import conflicts_of
from service.flock.counts_csv import Counted
from service.flock.evidence import Array, Evidence, evidence_of, together
from service.flock.flock_csv import Flock
from service.flock.inference import (
    Inference,
    Progress,
    caution,
    crest_chance,
    infer_flock,
    shown_combs,
    variety_of,
)
from service.wording.sentences import Message, as_data, from_data, say


@dataclass(frozen=True)
class Entry:
    """A line of the evidence ledger.

    `ratio` is the likelihood ratio of the bird's best genotype against all the others together,
    these as common as among founders: above 1 the piece speaks for it, below 1 against it.
    `expected` is the probability of all evidence with the piece over that without it, where 1 is
    a piece that says nothing: below 1 it came as a surprise.
    """

    evidence: Message
    says: Message
    ratio: float
    expected: float = 1.0

    def as_data(self) -> dict[str, Any]:
        """As it is kept."""
        return {
            "evidence": as_data(self.evidence),
            "says": as_data(self.says),
            "likelihood_ratio": float(f"{self.ratio:.6g}"),
            "with_over_without": float(f"{self.expected:.6g}"),
        }


@dataclass(frozen=True)
class Candidate:
    """What is known of one bird."""

    bird: str
    genotypes: dict[str, float]
    combs: dict[str, float]
    conflict: Conflict | None
    ledger: tuple[Entry, ...]
    crest: dict[str, float] = field(default_factory=dict)
    """By genotype at the crest locus."""
    beard: dict[str, float] = field(default_factory=dict)
    """By genotype at the beard locus."""
    with_crest: dict[str, float] = field(default_factory=dict)
    """By genotype at R, P and crest, where the comb read couples them."""
    variety: str = "unknown"
    method: str = "exact"
    """'exact', or 'approximate' where the flock was too complex."""
    error: float = 0.0
    """Largest standard error of a probability, if approximate."""
    converged: bool = True

    @property
    def caution(self) -> Message | None:
        """What to say of an approximate answer; None if it is exact."""
        return caution(self.method, self.error, self.converged)

    def numbers(self) -> dict[str, Any]:
        """Return the parts that are no sentences, as JSON holds them."""

        def rounded(table: dict[str, float]) -> dict[str, float]:
            return {k: round(v, 9) for k, v in table.items()}

        answer: dict[str, Any] = {
            "bird": self.bird,
            "genotypes": rounded(self.genotypes),
            "combs": rounded(self.combs),
            "crest": rounded(self.crest),
            "beard": rounded(self.beard),
            "variety": self.variety,
            "method": self.method,
        }
        if self.with_crest:
            answer["with_crest"] = rounded(self.with_crest)
        if self.method != "exact":
            answer["standard_error"] = float(f"{self.error:.3g}")
            answer["converged"] = self.converged
        return answer

    def as_data(self) -> dict[str, Any]:
        """As it is kept: sentences as codes. `from_data` brings it back."""
        conflict = self.conflict.as_data() if self.conflict else None
        return self.numbers() | {
            "conflict": conflict,
            "ledger": [entry.as_data() for entry in self.ledger],
        }

    def as_json(self) -> dict[str, Any]:
        """Return the contract's JSON object: sentences in the language at hand, and their codes."""
        numbers = self.numbers()
        first = {name: numbers.pop(name) for name in ("bird", "genotypes", "combs")}
        return {
            **first,
            "conflict": say(self.conflict.message) if self.conflict else None,
            "ledger": [
                entry.as_data()
                | {
                    "evidence": say(entry.evidence),
                    "says": say(entry.says),
                }
                for entry in self.ledger
            ],
            **numbers,
            "codes": {
                "conflict": as_data(self.conflict.message) if self.conflict else None,
                "ledger": [
                    {"evidence": as_data(entry.evidence), "says": as_data(entry.says)}
                    for entry in self.ledger
                ],
            },
        }

    @classmethod
    def from_data(cls, content: dict[str, Any]) -> Candidate:
        """Return the candidate that `as_data` was made from."""
        kept = content["conflict"]
        return cls(
            bird=content["bird"],
            genotypes=content["genotypes"],
            combs=content["combs"],
            conflict=Conflict.from_data(kept) if kept else None,
            ledger=tuple(
                Entry(
                    from_data(e["evidence"]),
                    from_data(e["says"]),
                    e["likelihood_ratio"],
                    e["with_over_without"],
                )
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
    day for ages; `counted` are chicks scored without bands. Where the flock is too complex for
    an exact answer it is approximate and says so; `progress` hears how much of that is done.
    Raises genetics.pedigree.PedigreeError where neither is possible.
    """
    evidence = [evidence_of(b, readings.get(b.bird, ()), prior, on) for b in flock.birds]
    inference = infer_flock(flock, evidence, counted, progress)
    conflicts = conflicts_of(flock, evidence, inference)
    return [
        describe(flock, row, evidence, inference, conflicts.get(row))
        for row in range(len(flock.birds))
    ]


def describe(
    flock: Flock,
    row: int,
    evidence: Sequence[Evidence],
    inference: Inference,
    conflict: Conflict | None = None,
) -> Candidate:
    """Return the candidate of one row, with ledger and the conflict that was found."""
    bird, seen = flock.birds[row], evidence[row]
    marginal = inference.combs.marginals[row]
    crest = crest_chance(inference, row, seen.crest)
    after = shown_combs(inference, row, seen) * seen.combs
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
        conflict,
        tuple(ledger(flock, row, seen, inference, crest)),
        by_copies("Cr", inference.crest.marginals[row]),
        by_copies("Mb", inference.beard.marginals[row]),
        with_crest,
        variety_of(flock, row),
        inference.combs.methods[row],
        inference.combs.error,
        inference.combs.converged,
    )


def copies_written(symbol: str) -> list[str]:
    """Return the three genotypes of a locus, the dominant one first."""
    locus = all_loci()[symbol]
    a, b = locus.dominant, locus.recessive
    return [f"{a}/{a}", f"{a}/{b}", f"{b}/{b}"]


def by_copies(symbol: str, chances: Array) -> dict[str, float]:
    """Probabilities (3,) by genotype."""
    return dict(zip(copies_written(symbol), chances.tolist(), strict=True))


def ledger(
    flock: Flock, row: int, seen: Evidence, inference: Inference, crest: bool | float
) -> list[Entry]:
    """Return the evidence of one bird, piece by piece."""
    bird, founders = flock.birds[row], inference.priors[row]
    others = inference.combs.cavities[row]
    best = int(inference.combs.marginals[row].argmax())
    found = []
    from_parents = flock.sire[row] >= 0 or flock.dam[row] >= 0 or row in flock.candidate_parents
    if from_parents or not np.allclose(others, founders / founders.sum()):
        says = Message("says_chicks")
        if from_parents:
            unknown = Message("unknown_parent")
            says = Message("says_parents", sire=bird.sire or unknown, dam=bird.dam or unknown)
        chance = np.where(founders > 0, others / np.where(founders > 0, founders, 1), 0)
        found.append(Entry(Message("piece_relatives"), says, best_ratio(chance, founders, best)))
    for mine in (c for c in inference.counted if row in (c.sire, c.dam)):
        mate = flock.birds[mine.dam if row == mine.sire else mine.sire].bird
        counts = tuple(
            Message("chicks_of_word", number=n, comb=c) for c, n in mine.chicks.items() if n
        )
        says = Message("says_counted", mate=mate, counts=counts)
        found.append(Entry(Message("piece_counted"), says, 1.0))

    def add(code: str, says: Message, likelihood: Array, rest: Array) -> None:
        ratio = best_ratio(likelihood, founders, best)
        found.append(Entry(Message(code), says, ratio, surprise(others * rest, likelihood)))

    if bird.genotype:
        rest = on_genotypes(seen.combs, crest) * seen.wattles
        add("piece_genotype", Message("says_genotype", genotype=bird.genotype), seen.genotype, rest)
    photos = [look for look in seen.observations if not look.by_person]
    pool = on_genotypes(together(photos), crest)
    for look in seen.observations:
        says = Message("says_comb", comb=look.comb)
        if not look.by_person and len(photos) > 1:
            ratio = f"{best_ratio(pool, founders, best):.2g}"
            says = Message("says_pooled", comb=look.comb, photos=len(photos), ratio=ratio)
        without = on_genotypes(together([x for x in seen.observations if x is not look]), crest)
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
        add("piece_wattles", seen.wattles_note, seen.wattles, rest)
    return found
