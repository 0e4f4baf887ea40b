"""Genotype candidates for every bird of a flock: readings, wattles, pedigree, in one ledger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from classifier.reading import Reading
from genetics.combs import CLASSES
from genetics.genotype import NAMES, all_loci
from genetics.numbers import derived
from service.flock.conflicts import Conflict
from service.flock.contradictions import conflicts_of
from service.flock.counts_csv import Counted
from service.flock.evidence import Array, Evidence, evidence_of, together
from service.flock.flock_csv import Flock
from service.flock.inference import (
    Inference,
    Progress,
    caution,
    comb_table,
    infer_flock,
    shown_combs,
    variety_of,
)
from service.wording.sentences import Message, as_data, from_data, say


@dataclass(frozen=True)
class Entry:
    """A line of the evidence ledger.

    `ratio` is what the piece does to the odds of the bird's likeliest genotype against all others,
    given the pieces before it: above 1 it speaks for it, below 1 against it.
    `expected` is how likely the piece is by what came before it, over a piece that says nothing:
    below 1 it came as a surprise.
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
    parents: dict[str, dict[str, float]] = field(default_factory=dict)
    """Where the sire or the dam is one of several: by 'sire' and 'dam', each band's chance."""
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
        if self.parents:
            answer["parents"] = {side: rounded(of) for side, of in self.parents.items()}
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
            parents=content.get("parents", {}),
            variety=content["variety"],
            method=content["method"],
            error=content.get("standard_error", 0.0),
            converged=content.get("converged", True),
        )


class Weighing:
    """Pieces of evidence weighed one after the other, on what is known before each of them.

    The ratios of all entries multiply to the odds of the likeliest genotype at the end over its
    odds among founders.
    """

    def __init__(self, founders: Array, best: int) -> None:
        """`founders` (9,) is what is taken of a founder, `best` the likeliest genotype."""
        self.chances, self.best = founders / founders.sum(), best
        self.entries: list[Entry] = []

    @property
    def odds(self) -> float:
        """Odds of the likeliest genotype against all others."""
        chance = float(self.chances[self.best])
        return chance / max(1 - chance, 1e-12)

    def add(self, evidence: Message, says: Message, likelihood: Array) -> None:
        """Weigh a piece by its likelihood (9,), given all before it."""
        before = self.odds
        expected = float(self.chances @ likelihood)
        mean = float(likelihood.mean())
        if expected > 0:
            self.chances = self.chances * likelihood / expected
        ratio = self.odds / max(before, 1e-12)
        self.entries.append(Entry(evidence, says, ratio, expected / mean if mean > 0 else 1.0))


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
    return worked_out(flock, evidence_of_all(flock, readings, prior, on), counted, progress)


def worked_out(
    flock: Flock,
    evidence: Sequence[Evidence],
    counted: Sequence[Counted] = (),
    progress: Progress | None = None,
) -> list[Candidate]:
    """Return the candidates that follow from what was seen; `candidates` says the rest."""
    inference = infer_flock(flock, evidence, counted, progress)
    conflicts = conflicts_of(flock, evidence, inference)
    return [
        describe(flock, row, evidence, inference, conflicts.get(row))
        for row in range(len(flock.birds))
    ]


def evidence_of_all(
    flock: Flock, readings: dict[str, list[Reading]], prior: Sequence[float], on: date | None
) -> list[Evidence]:
    """Return what was seen of every bird; birds of whom the list says the same share one object."""
    known: dict[tuple[object, ...], Evidence] = {}
    found = []
    for bird in flock.birds:
        if readings.get(bird.bird) or bird.wattles:
            found.append(evidence_of(bird, readings.get(bird.bird, ()), prior, on))
            continue
        key = (bird.comb, bird.comb_by, bird.crest, bird.beard, bird.genotype)
        if key not in known:
            known[key] = evidence_of(bird, (), prior, on)
        found.append(known[key])
    return found


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
        tuple(ledger(flock, row, seen, inference)),
        by_copies("Cr", inference.crest.marginals[row]),
        by_copies("Mb", inference.beard.marginals[row]),
        with_crest,
        likelier_parents(flock, row, inference),
        variety_of(flock, row),
        inference.combs.methods[row],
        inference.combs.error,
        inference.combs.converged,
    )


def likelier_parents(flock: Flock, row: int, inference: Inference) -> dict[str, dict[str, float]]:
    """Return the chances of possible sires and dams by band, where there are several."""
    some, chances = flock.candidate_parents.get(row), inference.parentage.get(row)
    if some is None or chances is None:
        return {}
    found = {}
    for side, rows, axis in (("sire", some.sires, 1), ("dam", some.dams, 0)):
        if len(rows) > 1:
            by_row = zip(sorted(rows), chances.sum(axis).tolist(), strict=True)
            found[side] = {flock.birds[r].bird: chance for r, chance in by_row}
    return found


@derived
def copies_written(symbol: str) -> list[str]:
    """Return the three genotypes of a locus, the dominant one first."""
    locus = all_loci()[symbol]
    a, b = locus.dominant, locus.recessive
    return [f"{a}/{a}", f"{a}/{b}", f"{b}/{b}"]


def by_copies(symbol: str, chances: Array) -> dict[str, float]:
    """Probabilities (3,) by genotype."""
    return dict(zip(copies_written(symbol), chances.tolist(), strict=True))


def of_relatives(flock: Flock, row: int, inference: Inference) -> Message | None:
    """Return whose word the relatives' is; None if there are none."""
    bird, founders = flock.birds[row], inference.priors[row]
    if flock.sire[row] < 0 and flock.dam[row] < 0 and row not in flock.candidate_parents:
        others = inference.combs.cavities[row]
        silent = np.abs(others - founders / founders.sum()).max() < 1e-8
        return None if silent else Message("says_chicks")
    unknown = Message("unknown_parent")
    parents = {"sire": bird.sire or unknown, "dam": bird.dam or unknown}
    several = likelier_parents(flock, row, inference)
    if not several:
        return Message("says_parents", **parents)
    likelier = tuple(
        Message("parent_with_chance", band=band, chance=of[band])
        for of in several.values()
        for band in [max(of, key=of.__getitem__)]
    )
    return Message("says_likelier_parents", parents=likelier, **parents)


def ledger(flock: Flock, row: int, seen: Evidence, inference: Inference) -> list[Entry]:
    """Return the evidence of one bird in the order in which it is weighed.

    Relatives first (counted chicks are among them), then the genotype on record, each look at its
    comb beside those before it, and wattles.
    """
    bird, founders = flock.birds[row], inference.priors[row]
    others = inference.combs.cavities[row]
    weighing = Weighing(founders, int(inference.combs.marginals[row].argmax()))
    relatives = of_relatives(flock, row, inference)
    if relatives:
        chance = np.where(founders > 0, others / np.where(founders > 0, founders, 1), 0)
        weighing.add(Message("piece_relatives"), relatives, chance)
    for mine in (c for c in inference.counted if row in (c.sire, c.dam)):
        mate = flock.birds[mine.dam if row == mine.sire else mine.sire].bird
        counts = tuple(
            Message("chicks_of_word", number=n, comb=c) for c, n in mine.chicks.items() if n
        )
        says = Message("says_counted", mate=mate, counts=counts)
        weighing.add(Message("piece_counted"), says, np.ones(9))
    if bird.genotype:
        says = Message("says_genotype", genotype=bird.genotype)
        weighing.add(Message("piece_genotype"), says, seen.genotype)
    if seen.observations:
        shows, before = comb_table(inference, row, seen.crest), np.ones(9)
        for number, look in enumerate(seen.observations, start=1):
            all_of_them = number == len(seen.observations)
            some = seen.combs if all_of_them else together(seen.observations[:number])
            likelihood = shows @ some
            says = Message("says_comb", comb=look.comb)
            weighing.add(look.source, says, likelihood / before)
            before = likelihood
    if seen.wattles_note:
        weighing.add(Message("piece_wattles"), seen.wattles_note, seen.wattles)
    return weighing.entries
