"""What may lie behind a contradiction, each explanation with its share."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache, cached_property

import numpy as np

from genetics.combs import CLASSES, bare_headed, penetrance, tables
from genetics.contradictions import Claim, Exchange, Surroundings, blame
from genetics.cross import locus_transmission, transmission
from genetics.numbers import derived
from genetics.pedigree import Rows
from genetics.rater_agreement import COARSE, coarse
from service.flock.conflicts import Culprit, by_share
from service.flock.evidence import Array, Evidence
from service.flock.flock_csv import Flock
from service.flock.inference import Inference, crest_chance

# A comb that a photo or a person isn't surer of than this is no record to be contradicted.
SURE = 0.7
BLAMED = 0.25  # share of a contradiction from which it is told at a bird
NAMED_BANDS = 6
DOUBTED, FURTHEST = 0.1, 2  # of records that may be wrong further off: how doubtful, how many steps
LIKELIEST_SWAPS = 60


@cache
def coarse_combs(word: str) -> list[int]:
    """Columns of the comb table that a word stands for, folds and rows not told apart.

    >>> [CLASSES[i] for i in coarse_combs("triple_pea")]
    ['single_blade_pea', 'triple_pea']
    """
    return [i for i, name in enumerate(CLASSES) if coarse(name) == coarse(word)]


@derived
def can_show(word: str) -> Array:
    """Return the chance of a comb by genotype (9,), leaks that are rarer than a limit left out."""
    unlikely = float(tables()["conflict"]["unlikely"])
    table = np.where(bare_headed() >= unlikely, bare_headed(), 0)
    return np.asarray(table[:, coarse_combs(word)].sum(1))


@derived
def textbook_shows(word: str) -> Array:
    """Whether each genotype (9,) shows a comb by the textbook, without leaks."""
    return np.isin(bare_headed().argmax(1), coarse_combs(word)).astype(float)


@dataclass(frozen=True)
class Records:
    """What is on record of one bird at R and P: its comb as read, and its genotype."""

    comb: str
    """The coarse word; empty where nobody is sure of one."""
    shown_as: str
    """The comb as it was read."""


def records_of(seen: Evidence) -> Records:
    """Return which comb a bird's looks say, if they are sure enough."""
    said = [look for look in seen.observations if look.comb]
    if not said:
        return Records("", "")
    combs = seen.combs.tolist()
    by_word = {word: max(combs[i] for i in coarse_combs(word)) for word in COARSE}
    told = max(said, key=lambda look: by_word[coarse(look.comb)])
    word = coarse(told.comb)
    if by_word[word] < SURE * sum(by_word.values()):
        return Records("", "")
    return Records(word, told.comb)


class Culprits:
    """A flock's records with what is known of each bird, by which contradictions are explained."""

    def __init__(self, flock: Flock, evidence: Sequence[Evidence], inference: Inference) -> None:
        self.flock, self.evidence, self.inference = flock, evidence, inference
        sire, dam = np.array(flock.sire, np.int64), np.array(flock.dam, np.int64)
        three = locus_transmission()
        self.layers = {
            "comb": Surroundings(
                inference.combs, sire, dam, np.asarray(transmission()), inference.priors
            ),
            "crest": Surroundings(
                inference.crest, sire, dam, np.asarray(three), inference.crest_priors
            ),
            "beard": Surroundings(
                inference.beard, sire, dam, np.asarray(three), inference.beard_priors
            ),
        }
        self.records = [records_of(seen) for seen in evidence]
        self._culprits: dict[tuple[str, int], tuple[Culprit, ...]] = {}
        on_day: dict[date, list[int]] = defaultdict(list)
        for row, bird in enumerate(flock.birds):
            if bird.hatched is not None and row not in flock.candidate_parents:
                on_day[bird.hatched].append(row)
        self.on_day = {day: np.array(rows, np.int64) for day, rows in on_day.items()}

    def truths(self, layer: str, row: int) -> list[Claim]:
        """Return the records of a bird at a layer with the chance by genotype that each is true."""
        seen, claims = self.evidence[row], []
        if layer != "comb":
            there = getattr(seen, layer)
            if there is None:
                return []
            true = np.array([1.0, 1, 0]) if there else np.array([0.0, 0, 1])
            return [Claim(f"culprit_{layer}", row, true)]
        word = self.records[row].comb
        if word:
            table = penetrance(crest_chance(self.inference, row, seen.crest)) * seen.combs
            shown = coarse_combs(word)
            true = table[:, shown].sum(1) / table.sum(1)
            claims.append(Claim("culprit_comb", row, np.where(can_show(word) > 0, true, 0)))
        if self.flock.birds[row].genotype:
            claims.append(Claim("culprit_genotype", row, (seen.genotype == 1).astype(float)))
        return claims

    def culprits(self, layer: str, row: int) -> tuple[Culprit, ...]:
        """Explain a contradiction, each way by its weight.

        Tried: a record of the bird or of its parents is wrong, by the slips that the evidence
        itself allows for; the sire or the dam is another bird; two birds that hatched on one day
        from different parents carry each other's bands; the records are true all the same.
        """
        known = self._culprits.get((layer, row))
        if known is None:
            lonely = row not in self.layers[layer].posterior.families
            known = self.of_lonely(row) if lonely else by_share(self.weights(layer, row))
            self._culprits[layer, row] = known
        return known

    def weights(self, layer: str, row: int) -> dict[Culprit, float]:
        """Return the logarithms of the weights of all explanations."""
        around = self.layers[layer]
        family = [bird for bird in (row, *around.parents_of(row)) if bird >= 0]
        claims = [claim for bird in family for claim in self.truths(layer, bird)]
        alone, none, several = blame(around, row, claims)
        weights: dict[Culprit, float] = {}
        with np.errstate(divide="ignore"):
            for claim, share in alone.items():
                culprit = Culprit(claim.kind, (self.flock.birds[claim.row].bird,))
                weights[culprit] = float(np.log(share))
            suspects = self.suspects(layer, row) if none >= BLAMED else ()
            nobody = Culprit("culprit_further", suspects) if suspects else Culprit("culprit_none")
            weights[nobody] = float(np.log(none))
            weights[Culprit("culprit_several")] = float(np.log(several))
        weights |= self.other_parents(row)
        weights |= self.mixed_bands(row)
        return weights

    def suspects(self, layer: str, row: int) -> tuple[str, ...]:
        """Bands of relatives further off whose records are in doubt, the most doubtful first."""
        around = self.layers[layer]
        near = {row, *around.parents_of(row)} - {-1}
        seen, edge = set(near), set(near)
        for _ in range(FURTHEST):
            edge = {r for bird in edge for r in self.next_to(bird)} - seen
            seen |= edge
        doubts = []
        for bird in seen - near:
            claims = self.truths(layer, bird)
            true = np.prod([claim.true for claim in claims], axis=0) if claims else 1.0
            doubt = 1 - float((around.posterior.marginals[bird] * true).sum())
            if claims and doubt >= DOUBTED:
                doubts.append((-doubt, bird))
        return tuple(self.flock.birds[bird].bird for _, bird in sorted(doubts)[:3])

    def next_to(self, row: int) -> set[int]:
        """Return parents and chicks of a bird."""
        return {*self.layers["comb"].parents_of(row), *self.chicks.get(row, ())} - {-1}

    @cached_property
    def chicks(self) -> dict[int, list[int]]:
        """Rows of chicks by parent."""
        found: dict[int, list[int]] = defaultdict(list)
        for row, parents in enumerate(zip(self.flock.sire, self.flock.dam, strict=True)):
            for parent in parents:
                found[parent].append(row)
        return found

    def of_lonely(self, row: int) -> tuple[Culprit, ...]:
        """Explain a contradiction of a bird whose own parents aren't known for sure."""
        inference = self.inference
        own, others = inference.likelihoods[row], inference.combs.cavities[row]
        after = own * others / (own @ others)
        weights: dict[Culprit, float] = {}
        with np.errstate(divide="ignore"):
            true = np.ones(9)
            for claim in self.truths("comb", row):
                culprit = Culprit(claim.kind, (self.flock.birds[row].bird,))
                weights[culprit] = float(np.log(after @ (1 - claim.true)))
                true = true * claim.true
            weights[Culprit("culprit_none")] = float(np.log(after @ true))
            if row in self.flock.candidate_parents:
                stranger = own @ inference.priors[row] / (own @ others)
                slip = 2 * float(tables()["conflict"]["wrong_parent"])
                culprit = Culprit("culprit_candidates", (self.flock.birds[row].bird,))
                weights[culprit] = float(np.log(stranger * slip))
        return by_share(weights)

    def other_parents(self, row: int) -> dict[Culprit, float]:
        """Logarithms of the weights of a wrong sire and a wrong dam."""
        slip = np.log(float(tables()["conflict"]["wrong_parent"]))
        weights = {}
        for side, (name, parent) in enumerate(
            zip(("sire", "dam"), self.layers["comb"].parents_of(row), strict=True)
        ):
            if parent >= 0:
                fits = [
                    np.log(max(layer.founder_instead(row, side), 1e-300))
                    for layer in self.layers.values()
                    if row in layer.posterior.families
                ]
                band = self.flock.birds[parent].bird
                weights[Culprit(f"culprit_{name}", (band,))] = float(sum(fits) + slip)
        return weights

    @cached_property
    def of_day(self) -> dict[date, tuple[Rows, list[Exchange]]]:
        """By day the birds that hatched then, and what is known of them at each layer."""
        return {
            day: (rows, [layer.among(rows) for layer in self.layers.values()])
            for day, rows in self.on_day.items()
        }

    def partners(self, row: int) -> Rows:
        """Return places among the birds of its day of those from different parents."""
        day = self.flock.birds[row].hatched
        if day is None or row in self.flock.candidate_parents:
            return np.zeros(0, np.int64)
        others = self.on_day[day]
        sire, dam = self.layers["comb"].sire, self.layers["comb"].dam
        different = (sire[others] != sire[row]) | (dam[others] != dam[row])
        return np.flatnonzero(different & (sire[others] != row) & (dam[others] != row))

    def mixed_bands(self, row: int) -> dict[Culprit, float]:
        """Logarithms of the weights of swaps of two bands; birds that are alike count as one."""
        places = self.partners(row)
        day = self.flock.birds[row].hatched
        if not len(places) or day is None:
            return {}
        rows, known = self.of_day[day]
        odds = np.ones(len(rows))
        for layer, exchange in zip(self.layers.values(), known, strict=True):
            odds = odds * layer.swapped(row, exchange)
        others = rows[places]
        prior = float(tables()["conflict"]["mixed_band"]) / len(others)
        fits = np.log(np.maximum(odds[places], 1e-300) * prior)
        most = min(LIKELIEST_SWAPS, len(fits) - 1)
        order = np.argpartition(-fits, most)
        likeliest, rest = np.sort(order[:LIKELIEST_SWAPS]), order[LIKELIEST_SWAPS:]
        groups: dict[tuple[int, int, float], list[int]] = defaultdict(list)
        for i in likeliest.tolist():
            other = int(others[i])
            key = (self.flock.sire[other], self.flock.dam[other], round(float(fits[i]), 9))
            groups[key].append(i)
        mine = self.flock.birds[row].bird
        weights = {}
        for members in groups.values():
            bands = [self.flock.birds[int(others[i])].bird for i in members]
            name = Culprit("culprit_bands", (mine, *bands[:NAMED_BANDS]))
            weights[name] = float(np.logaddexp.reduce(fits[members]))
        if len(rest):
            weights[Culprit("culprit_bands_of_day", (mine,))] = float(
                np.logaddexp.reduce(fits[rest])
            )
        return weights
