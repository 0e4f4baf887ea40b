"""Readings that the pedigree makes impossible, and the likelier culprits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from genetics.combs import CLASSES, penetrance, tables
from genetics.pedigree import CandidateParents, Impossible, Pair, infer
from genetics.variable_elimination import TooWide
from service.flock.evidence import Array, Evidence
from service.flock.flock_csv import Flock
from service.flock.inference import Inference, crest_chance, pairs_of
from service.wording.sentences import Message, as_data, from_data

# In a larger flock only the bird's nearer relatives are tried again, or a search takes minutes.
MOST_BIRDS = 200


@dataclass(frozen=True)
class Culprit:
    """One explanation of a conflict, with its share among those that were weighed.

    `kind` is a code of `messages.toml`; `bands` are the birds it names beside the one in conflict.
    """

    kind: str
    bands: tuple[str, ...] = ()
    share: float = 0.0

    @property
    def message(self) -> Message:
        """As a sentence to be."""
        names = dict(zip(("band", "other"), self.bands, strict=False))
        return Message(self.kind, share=self.share, **names)


@dataclass(frozen=True)
class Conflict:
    """A reading that the pedigree makes impossible."""

    source: Message
    comb: str
    chance: float
    """Of this comb before the reading."""
    culprits: tuple[Culprit, ...] | None = None
    """What may lie behind it, the likelier first; None if nobody has weighed that yet."""

    @property
    def message(self) -> Message:
        """As a sentence to be."""
        odds = Message("odds_less")
        if self.chance >= 1e-4:
            odds = Message("odds_about", number=round(1 / self.chance))
        said: dict[str, Any] = {"comb": self.comb, "odds": odds}
        if self.source.code == "source_person":
            told = Message("conflict_person_comb", who=self.source.values["who"], **said)
        elif self.source.code == "source_somebody":
            told = Message("conflict_somebody_comb", **said)
        else:
            told = Message("conflict_comb", source=self.source, **said)
        if self.culprits is None:
            return told
        named = tuple(culprit.message for culprit in self.culprits)
        return Message("conflict_weighed", conflict=told, culprits=named)

    def as_data(self) -> dict[str, Any]:
        """As it is kept."""
        return {
            "source": as_data(self.source),
            "comb": self.comb,
            "chance": self.chance,
            "culprits": None if self.culprits is None else [vars(c) for c in self.culprits],
        }

    @classmethod
    def from_data(cls, content: dict[str, Any]) -> Conflict:
        """Return the conflict that `as_data` was made from."""
        kept = content["culprits"]
        return cls(
            from_data(content["source"]),
            content["comb"],
            content["chance"],
            None
            if kept is None
            else tuple(Culprit(c["kind"], tuple(c["bands"]), c["share"]) for c in kept),
        )


def conflict(
    flock: Flock,
    row: int,
    evidence: Sequence[Evidence],
    inference: Inference,
    with_culprits: bool = True,
) -> Conflict | None:
    """Return a reading that the pedigree makes impossible, with the likelier culprits.

    Weighing the culprits takes many inferences; they can be left out for the time being.
    """
    limits = tables()["conflict"]
    others = inference.combs.cavities[row]
    crest = crest_chance(inference, row, evidence[row].crest)
    leaky = others @ penetrance(crest)
    for look in evidence[row].observations:
        words = ("single_blade_pea", "triple_pea") if look.comb == "pea" else (look.comb,)
        if not look.comb or sum(leaky[CLASSES.index(w)] for w in words) >= limits["unlikely"]:
            continue
        # Alleles that relatives can't have given: the leaks of the comb table don't excuse them.
        strict = textbook_chance(others, evidence[row].crest, words)
        if strict >= limits["impossible"]:
            continue
        found = culprits(flock, row, inference) if with_culprits else None
        return Conflict(look.source, look.comb, strict, found)
    return None


def textbook_chance(others: Array, crest: bool | None, words: Sequence[str]) -> float:
    """Chance of a comb by the textbook alone, without leaks, from the relatives (9,) alone."""
    table = penetrance(crest)
    folded, single = CLASSES.index("crest_folded_single"), CLASSES.index("single")
    top = np.zeros_like(table)
    top[np.arange(9), table.argmax(1)] = 1
    if crest is not False:
        top[8, [folded, single]] = 1
    wanted = top[:, [CLASSES.index(w) for w in words]].max(1)
    return float(others @ wanted)


def near(flock: Flock, row: int) -> list[int]:
    """Rows of a bird's parents and theirs, chicks and their other parents, sibs, day mates."""
    sire, dam = flock.sire, flock.dam
    ring = {row, sire[row], dam[row]}
    some = flock.candidate_parents.get(row)
    ring |= {*some.sires, *some.dams} if some else set()
    ring |= {r for p in (sire[row], dam[row]) if p >= 0 for r in (sire[p], dam[p])}
    hatched = flock.birds[row].hatched
    for i, bird in enumerate(flock.birds):
        same_day = hatched is not None and bird.hatched == hatched
        sib = (sire[row] >= 0 and sire[i] == sire[row]) or (dam[row] >= 0 and dam[i] == dam[row])
        if same_day or sib or row in (sire[i], dam[i]):
            ring |= {i, sire[i], dam[i]}
    return sorted(r for r in ring if r >= 0)


@dataclass(frozen=True)
class Surroundings:
    """The birds among whom the culprits of a conflict are weighed, as rows of their own."""

    flock: Flock
    rows: list[int]
    """Their rows in the flock."""
    me: int
    """The bird in conflict, as a row of these."""
    sire: list[int]
    dam: list[int]
    likelihoods: Array
    priors: Array
    pairs: tuple[Pair, ...]
    several: dict[int, CandidateParents]

    def fit(self, sire: list[int], dam: list[int], seen: Array) -> float:
        """Return the logarithm of the evidence with other parents or another likelihood."""
        try:
            found = infer(sire, dam, seen, self.priors, self.pairs, possible=self.several)
        except Impossible:
            return -np.inf
        return found.log_evidence

    def partners(self) -> list[int]:
        """Return the birds that hatched on the same day from different parents."""
        day = self.flock.birds[self.rows[self.me]].hatched
        mine = (self.sire[self.me], self.dam[self.me])
        return [
            i
            for i, r in enumerate(self.rows)
            if i != self.me
            and day is not None
            and self.flock.birds[r].hatched == day
            and (self.sire[i], self.dam[i]) != mine
            and i not in self.several
            and self.me not in self.several
            and self.me not in (self.sire[i], self.dam[i])
        ]


def surroundings_of(flock: Flock, row: int, inference: Inference) -> Surroundings:
    """Return all birds, or the nearer relatives in a flock that is large or too complex."""
    rows = list(range(len(flock.birds)))
    if len(rows) > MOST_BIRDS or inference.method != "exact":
        rows = near(flock, row)
    place = {r: i for i, r in enumerate(rows)}
    priors = inference.priors[rows].copy()
    for i, r in enumerate(rows):
        # A parent left outside speaks through what the whole flock says of its chick.
        outside = [p for p in (flock.sire[r], flock.dam[r]) if p >= 0 and p not in place]
        if outside and r != row:
            cavity = inference.combs.cavities[r]
            priors[i] = cavity / cavity.sum()
    counted = [c for c in inference.counted if c.sire in place and c.dam in place]
    several = {
        place[r]: CandidateParents(
            tuple(place[p] for p in some.sires if p in place),
            tuple(place[p] for p in some.dams if p in place),
        )
        for r, some in flock.candidate_parents.items()
        if r in place
    }
    return Surroundings(
        flock,
        rows,
        place[row],
        [place.get(flock.sire[r], -1) for r in rows],
        [place.get(flock.dam[r], -1) for r in rows],
        inference.likelihoods[rows],
        priors,
        tuple(Pair(place[p.sire], place[p.dam], p.likelihood) for p in pairs_of(counted)),
        several,
    )


def culprits(flock: Flock, row: int, inference: Inference) -> tuple[Culprit, ...]:
    """Explain a conflict, each way by its weight: chance beforehand times how well it fits.

    Tried: the comb was misread; the sire or the dam is another bird; two chicks hatched on one
    day from different parents carry each other's bands. Of a large flock, or one too complex
    for an exact answer, only the bird's nearer relatives take part.
    """
    limits = tables()["conflict"]
    around = surroundings_of(flock, row, inference)
    me, bird = around.me, flock.birds[row]
    doubted = around.likelihoods.copy()
    doubted[me] = around.likelihoods[me].mean()
    try:
        misread = around.fit(around.sire, around.dam, doubted)
    except TooWide:
        return (Culprit("culprits_too_many_relatives"),)
    weights = {Culprit("culprit_misread"): misread + np.log(limits["misread"])}
    for column, band in (("sire", bird.sire), ("dam", bird.dam)):
        parents = {"sire": list(around.sire), "dam": list(around.dam)}
        if band and parents[column][me] >= 0:
            parents[column][me] = -1
            found = around.fit(parents["sire"], parents["dam"], around.likelihoods)
            weights[Culprit(f"culprit_{column}", (band,))] = found + np.log(limits["wrong_parent"])
    partners = around.partners()
    for partner in partners:
        sire, dam = list(around.sire), list(around.dam)
        sire[me], sire[partner] = sire[partner], sire[me]
        dam[me], dam[partner] = dam[partner], dam[me]
        name = Culprit("culprit_bands", (bird.bird, flock.birds[around.rows[partner]].bird))
        try:
            found = around.fit(sire, dam, around.likelihoods)
        except TooWide:
            continue
        weights[name] = found + np.log(limits["mixed_band"] / len(partners))
    return by_share(weights)


def by_share(weights: dict[Culprit, float], most: int = 4) -> tuple[Culprit, ...]:
    """Return culprits with their shares by the logarithms of their weights, the likelier first."""
    finite = {k: v for k, v in weights.items() if np.isfinite(v)}
    if not finite:
        return (Culprit("no_single_slip"),)
    top = max(finite.values())
    total = sum(np.exp(v - top) for v in finite.values())
    shares = {k: float(np.exp(v - top) / total) for k, v in finite.items()}
    ranked = sorted(shares.items(), key=lambda item: -item[1])[:most]
    return tuple(replace(found, share=share) for found, share in ranked if share >= 0.01)
