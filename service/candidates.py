"""Genotype candidates for every bird of a flock: readings, wattles, pedigree, in one ledger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from classifier.reading import Reading
from classifier.words import SPOKEN
from genetics.combs import CLASSES, comb_given_genotype, founder_prior, tables
from genetics.evidence import (
    from_genotype,
    from_person,
    from_posterior,
    from_wattles,
    on_genotypes,
    pooled,
    wattle_silence,
)
from genetics.genotype import NAMES
from genetics.pedigree import Impossible, Posterior, infer
from service.flock import Bird, Flock

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Look:
    """A reading as genetics takes it: the likelihood of the combs and where it comes from."""

    source: str
    likelihood: Array
    comb: str
    """The comb word that the look proposes; empty if it proposes none."""
    by_person: bool = False


@dataclass(frozen=True)
class Entry:
    """A line of the evidence ledger.

    `ratio` is the likelihood ratio of the bird's best genotype against all the others together,
    these as common as among founders: above 1 the piece speaks for it, below 1 against it.
    """

    evidence: str
    says: str
    ratio: float


@dataclass(frozen=True)
class Candidate:
    """What is known of one bird."""

    bird: str
    genotypes: dict[str, float]
    combs: dict[str, float]
    conflict: str | None
    ledger: tuple[Entry, ...]

    def as_json(self) -> dict[str, object]:
        """The contract's JSON object."""
        return {
            "bird": self.bird,
            "genotypes": {k: round(v, 9) for k, v in self.genotypes.items()},
            "combs": {k: round(v, 9) for k, v in self.combs.items()},
            "conflict": self.conflict,
            "ledger": [
                {
                    "evidence": e.evidence,
                    "says": e.says,
                    "likelihood_ratio": float(f"{e.ratio:.6g}"),
                }
                for e in self.ledger
            ],
        }


@dataclass(frozen=True)
class Evidence:
    """All that was seen of one bird itself."""

    crest: bool | None
    looks: tuple[Look, ...]
    wattles: Array
    wattles_note: str
    genotype: Array
    comb_likelihood: Array

    @property
    def on_genotypes(self) -> Array:
        """Product of the pieces (9,)."""
        return on_genotypes(self.comb_likelihood, self.crest) * self.wattles * self.genotype


def look_of(reading: Reading, prior: Sequence[float]) -> Look:
    """A model's reading as a likelihood; what can't be read says nothing."""
    useless = 1 - (1 - reading.none_of_these) * reading.readable
    if reading.pile == "new_photo":
        useless = 1.0
    likelihood = from_posterior(reading.comb, prior, useless)
    comb = reading.best if reading.proposal else ""
    return Look(f"photo {reading.photo}", likelihood, comb)


def evidence_of(
    bird: Bird, readings: Sequence[Reading], prior: Sequence[float], on: date | None
) -> Evidence:
    """Collect what was seen of a bird; a note in the list outranks the photo for the crest."""
    looks = [look_of(r, prior) for r in readings]
    crest = bird.crest
    if crest is None and readings:
        chance = float(np.mean([r.crest for r in readings]))
        crest = True if chance > 0.8 else False if chance < 0.2 else None
    combs = pooled([look.likelihood for look in looks])
    if bird.comb:
        person = Look(
            f"read by {bird.comb_by or 'a person'}", from_person(bird.comb), bird.comb, True
        )
        looks.append(person)
        combs = combs * person.likelihood
    age = bird.age_weeks(on)
    wattles, note = np.ones(9), ""
    if bird.wattles:
        wattles = from_wattles(bird.wattles, bird.beard, bird.sex, age)
        silent = wattle_silence(bird.beard, bird.sex, age)
        note = f"wattles {bird.wattles}" + (f", which say nothing: {silent}" if silent else "")
    genotype = from_genotype(bird.genotype) if bird.genotype else np.ones(9)
    return Evidence(crest, tuple(looks), wattles, note, genotype, combs)


def best_ratio(likelihood: Array, weights: Array, best: int) -> float:
    """Likelihood of the best genotype over the mean of the rest, weighed by `weights` (9,)."""
    rest = np.delete(weights, best)
    if rest.sum() <= 0:
        return 1.0
    alternative = float((np.delete(likelihood, best) * rest).sum() / rest.sum())
    return float(likelihood[best] / alternative) if alternative > 0 else 1e9


def posterior_of(
    flock: Flock, evidence: Sequence[Evidence], founders: Array
) -> tuple[Posterior, Array]:
    """The flock's posterior, and the likelihoods (n, 9) that it rests on."""
    likelihoods = np.array([e.on_genotypes for e in evidence]).reshape(-1, 9)
    try:
        return infer(flock.sire, flock.dam, likelihoods, founders), likelihoods
    except Impossible:
        # A recorded genotype contradicts the pedigree: let every record err a little.
        likelihoods = likelihoods + 1e-4 * likelihoods.max(1, keepdims=True)
        return infer(flock.sire, flock.dam, likelihoods, founders), likelihoods


def candidates(
    flock: Flock,
    readings: dict[str, list[Reading]],
    prior: Sequence[float],
    on: date | None,
) -> list[Candidate]:
    """Candidates for every bird, in the order of the flock.

    `readings` by band; `prior` is the training prior of the model that made them; `on` is the
    day for ages. Raises genetics.pedigree.PedigreeError where no exact answer is possible.
    """
    evidence = [evidence_of(b, readings.get(b.bird, ()), prior, on) for b in flock.birds]
    founders = founder_prior()
    posterior, likelihoods = posterior_of(flock, evidence, founders)
    return [
        describe(flock, row, evidence, likelihoods, posterior, founders)
        for row in range(len(flock.birds))
    ]


def describe(
    flock: Flock,
    row: int,
    evidence: list[Evidence],
    likelihoods: Array,
    posterior: Posterior,
    founders: Array,
) -> Candidate:
    """The candidate of one row, with ledger and conflict."""
    bird, seen = flock.birds[row], evidence[row]
    marginal, others = posterior.marginals[row], posterior.others[row]
    best = int(marginal.argmax())
    table = comb_given_genotype(seen.crest)
    before = others * seen.wattles * seen.genotype
    before = before / before.sum() if before.sum() > 0 else others
    expected = before @ table
    after = expected * seen.comb_likelihood
    after = after / after.sum()
    ledger = []
    if flock.sire[row] >= 0 or flock.dam[row] >= 0:
        parents = " x ".join(p or "unknown" for p in (bird.sire, bird.dam))
        ledger.append(
            Entry("relatives", f"from {parents}", best_ratio(others / founders, founders, best))
        )
    elif not np.allclose(others, founders / founders.sum()):
        ledger.append(
            Entry(
                "relatives", "what its chicks show", best_ratio(others / founders, founders, best)
            )
        )
    if bird.genotype:
        ledger.append(
            Entry("genotype on record", bird.genotype, best_ratio(seen.genotype, founders, best))
        )
    # Photos of one bird are not independent: each one's line is its share of their pool.
    photos = [look for look in seen.looks if not look.by_person]
    pool = on_genotypes(pooled([p.likelihood for p in photos]), seen.crest)
    for look in seen.looks:
        says = SPOKEN.get(look.comb, look.comb) or "can't tell"
        ratio = best_ratio(on_genotypes(look.likelihood, seen.crest), founders, best)
        if not look.by_person and len(photos) > 1:
            together = best_ratio(pool, founders, best)
            says += f" (one of {len(photos)} photos, pooled: together {together:.2g})"
        ledger.append(Entry(look.source, says, ratio))
    if seen.wattles_note:
        ledger.append(Entry("wattles", seen.wattles_note, best_ratio(seen.wattles, founders, best)))
    return Candidate(
        bird.bird,
        dict(zip(NAMES, marginal.tolist(), strict=True)),
        dict(zip(CLASSES, after.tolist(), strict=True)),
        conflict(flock, row, evidence, likelihoods, posterior, founders),
        tuple(ledger),
    )


def conflict(
    flock: Flock,
    row: int,
    evidence: list[Evidence],
    likelihoods: Array,
    posterior: Posterior,
    founders: Array,
) -> str | None:
    """In words, a reading that the pedigree makes impossible, with the likelier culprits."""
    limits = tables()["conflict"]
    others = posterior.others[row]
    leaky = others @ comb_given_genotype(evidence[row].crest)
    for look in evidence[row].looks:
        words = ("single_blade_pea", "triple_pea") if look.comb == "pea" else (look.comb,)
        if not look.comb or sum(leaky[CLASSES.index(w)] for w in words) >= limits["unlikely"]:
            continue
        # Alleles that relatives can't have given: the leaks of the comb table don't excuse them.
        strict = textbook_chance(others, evidence[row].crest, words)
        if strict >= limits["impossible"]:
            continue
        listed = "; ".join(culprits(flock, row, likelihoods, posterior, founders))
        name = SPOKEN.get(look.comb, look.comb)
        return (
            f"{look.source} says {name}, which its relatives make all but impossible "
            f"({odds(strict)} before the reading). Likelier: {listed}"
        )
    return None


def odds(chance: float) -> str:
    """A small chance in words.

    >>> odds(0.0004), odds(0.0)
    ('about 1 in 2,500', 'less than 1 in 10,000')
    """
    return "less than 1 in 10,000" if chance < 1e-4 else f"about 1 in {round(1 / chance):,}"


def textbook_chance(others: Array, crest: bool | None, words: Sequence[str]) -> float:
    """Chance of a comb by the textbook alone, without leaks, from the relatives (9,) alone."""
    table = comb_given_genotype(crest)
    folded, single = CLASSES.index("crest_folded_single"), CLASSES.index("single")
    top = np.zeros_like(table)
    top[np.arange(9), table.argmax(1)] = 1
    if crest is not False:
        top[8, [folded, single]] = 1
    wanted = top[:, [CLASSES.index(w) for w in words]].max(1)
    return float(others @ wanted)


def culprits(
    flock: Flock, row: int, likelihoods: Array, posterior: Posterior, founders: Array
) -> list[str]:
    """Explanations of a conflict by their weight: chance beforehand times how well they fit.

    Tried: the comb was misread; the sire or the dam is another bird; two chicks hatched on one
    day from different parents carry each other's bands.
    """
    limits = tables()["conflict"]

    def fit(sire: list[int], dam: list[int], seen: Array) -> float:
        try:
            return infer(sire, dam, seen, founders).log_evidence
        except Impossible:
            return -np.inf

    sire, dam = list(flock.sire), list(flock.dam)
    bird = flock.birds[row]
    doubted = likelihoods.copy()
    doubted[row] = likelihoods[row].mean()
    weights = {"the comb was misread": fit(sire, dam, doubted) + np.log(limits["misread"])}
    for column, band in (("sire", bird.sire), ("dam", bird.dam)):
        if band:
            other = {"sire": list(sire), "dam": list(dam)}
            other[column][row] = -1
            weights[f"its {column} isn't {band}"] = fit(
                other["sire"], other["dam"], likelihoods
            ) + np.log(limits["wrong_parent"])
    partners = [
        i
        for i, b in enumerate(flock.birds)
        if i != row
        and b.hatched is not None
        and b.hatched == bird.hatched
        and (sire[i], dam[i]) != (sire[row], dam[row])
        and row not in (sire[i], dam[i])
    ]
    for partner in partners:
        s, d = list(sire), list(dam)
        s[row], s[partner] = s[partner], s[row]
        d[row], d[partner] = d[partner], d[row]
        name = f"bands {bird.bird} and {flock.birds[partner].bird} are mixed up"
        weights[name] = fit(s, d, likelihoods) + np.log(limits["mixed_band"] / len(partners))
    finite = {k: v for k, v in weights.items() if np.isfinite(v)}
    if not finite:
        return ["no single slip explains it"]
    top = max(finite.values())
    total = sum(np.exp(v - top) for v in finite.values())
    shares = {k: float(np.exp(v - top) / total) for k, v in finite.items()}
    ranked = sorted(shares.items(), key=lambda item: -item[1])[:4]
    return [f"{name} ({share:.0%})" for name, share in ranked if share >= 0.01]
