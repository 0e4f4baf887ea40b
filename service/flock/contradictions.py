"""The contradictions of a flock: found in its posteriors, told with the likelier culprits."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np

from genetics.combs import CLASSES, bare_headed, penetrance, tables
from genetics.contradictions import Claim, Surroundings, blame
from genetics.cross import locus_transmission, transmission
from genetics.pedigree import Rows
from genetics.rater_agreement import COARSE, coarse
from service.flock.conflicts import Conflict, Culprit, by_share
from service.flock.evidence import Array, Evidence
from service.flock.flock_csv import Flock
from service.flock.inference import Inference, crest_chance, fit_of_counts
from service.wording.sentences import Message

# A comb that a photo or a person isn't surer of than this is no record to be contradicted.
SURE = 0.7
BLAMED = 0.25  # share of a contradiction from which it is told at a bird
NAMED_BANDS = 6
LIKELIEST_SWAPS = 60


def coarse_combs(word: str) -> list[int]:
    """Columns of the comb table that a word stands for, folds and rows not told apart.

    >>> [CLASSES[i] for i in coarse_combs("triple_pea")]
    ['single_blade_pea', 'triple_pea']
    """
    return [i for i, name in enumerate(CLASSES) if coarse(name) == coarse(word)]


@cache
def _shown(unlikely: float) -> Array:
    return np.where(bare_headed() >= unlikely, bare_headed(), 0)


def can_show(word: str) -> Array:
    """Return the chance of a comb by genotype (9,), leaks that are rarer than a limit left out."""
    table = _shown(float(tables()["conflict"]["unlikely"]))
    return np.asarray(table[:, coarse_combs(word)].sum(1))


def textbook_shows(word: str) -> Array:
    """Whether each genotype (9,) shows a comb by the textbook, without leaks."""
    return np.isin(bare_headed().argmax(1), coarse_combs(word)).astype(float)


@dataclass(frozen=True)
class Records:
    """What is on record of one bird at R and P: its comb as read, and its genotype."""

    comb: str
    """The coarse word; empty where nobody is sure of one."""
    source: Message | None
    shown_as: str
    """The comb as it was read."""


def records_of(seen: Evidence) -> Records:
    """Return which comb a bird's looks say, if they are sure enough."""
    said = [look for look in seen.observations if look.comb]
    if not said:
        return Records("", None, "")
    combs = seen.combs / seen.combs.sum()
    by_word = {word: max(combs[coarse_combs(word)]) for word in COARSE}
    told = max(said, key=lambda look: by_word[coarse(look.comb)])
    word = coarse(told.comb)
    if by_word[word] < SURE * sum(by_word.values()):
        return Records("", None, "")
    return Records(word, told.source, told.comb)


class Contradictions:
    """All contradictions of a flock, by row of the bird that they are told at."""

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
        self.on_day: dict[date, list[int]] = defaultdict(list)
        for row, bird in enumerate(flock.birds):
            if bird.hatched is not None and row not in flock.candidate_parents:
                self.on_day[bird.hatched].append(row)

    def found(self) -> dict[int, Conflict]:
        """Return the conflicts, one at most for a bird: an impossible reading before all else."""
        found = self.impossible_readings()
        for row, conflict in [*self.within_birds(), *self.between_relatives(), *self.of_counts()]:
            found.setdefault(row, conflict)
        return found

    # --- a reading that the relatives make impossible ---

    def impossible_readings(self) -> dict[int, Conflict]:
        """Return readings of a chance below the limits before they were made."""
        limits = tables()["conflict"]
        cavities = self.inference.combs.cavities
        by_word: dict[str, list[int]] = defaultdict(list)
        for row, seen in enumerate(self.evidence):
            for word in {coarse(look.comb) for look in seen.observations if look.comb}:
                by_word[word].append(row)
        suspects: dict[int, set[str]] = defaultdict(set)
        for word, rows in by_word.items():
            chances = cavities[rows] @ textbook_shows(word)
            for row in np.array(rows)[chances < limits["impossible"]].tolist():
                suspects[row].add(word)
        found = {}
        for row, words in sorted(suspects.items()):
            others = cavities[row]
            leaky = others @ penetrance(crest_chance(self.inference, row, self.evidence[row].crest))
            for look in self.evidence[row].observations:
                word = coarse(look.comb) if look.comb else ""
                # Alleles that relatives can't have given: small leaks don't excuse them.
                if word not in words or leaky[coarse_combs(word)].sum() >= limits["unlikely"]:
                    continue
                chance = float(others @ textbook_shows(word))
                found[row] = Conflict(look.source, look.comb, chance, self.culprits("comb", row))
                break
        return found

    # --- records that don't go together ---

    def claims(self, layer: str) -> Array:
        """Chance (n, K) that a bird of each genotype shows what is on record; ones for nothing."""
        birds = self.flock.birds
        if layer != "comb":
            noted = [getattr(seen, layer) for seen in self.evidence]
            table = {None: [1.0, 1, 1], True: [1.0, 1, 0], False: [0.0, 0, 1]}
            return np.array([table[there] for there in noted]).reshape(-1, 3)
        shown = {word: can_show(word) for word in COARSE} | {"": np.ones(9)}
        found = np.array([shown[record.comb] for record in self.records]).reshape(-1, 9)
        for row, bird in enumerate(birds):
            if bird.genotype:
                found[row] = found[row] * (self.evidence[row].genotype == 1)
        return found

    def within_birds(self) -> Iterator[tuple[int, Conflict]]:
        """Yield birds of which comb and genotype on record exclude each other."""
        limit = tables()["conflict"]["impossible"]
        for row, bird in enumerate(self.flock.birds):
            word = self.records[row].comb
            if not (bird.genotype and word):
                continue
            allowed = (self.evidence[row].genotype == 1).astype(float)
            others = self.inference.combs.cavities[row]
            apart = (others @ can_show(word)) * (others @ allowed)
            together = float(others @ (can_show(word) * allowed))
            if together < limit * apart or not (can_show(word) * allowed).any():
                yield row, self.conflict("comb", row, together, self.culprits("comb", row))

    def between_relatives(self) -> Iterator[tuple[int, Conflict]]:
        """Yield records of parents and chicks that exclude each other, at the birds to blame."""
        limit = tables()["conflict"]["impossible"]
        for name, layer in self.layers.items():
            families = layer.posterior.families
            rows = np.array(sorted(families), np.int64)
            if not len(rows):
                continue
            lifts = layer.lifts(self.claims(name), rows)
            for row, lift in zip(rows[lifts < limit].tolist(), lifts[lifts < limit], strict=True):
                blamed = self.culprits(name, row)
                share = self.share_by_bird(row, blamed)
                at = [bird for bird, part in share.items() if part >= BLAMED] or [row]
                for bird in at:
                    yield bird, self.conflict(name, row, float(lift), blamed)

    def share_by_bird(self, row: int, blamed: Sequence[Culprit]) -> dict[int, float]:
        """Return how much of a contradiction falls on each bird; wrong parents on the chick."""
        share: dict[int, float] = defaultdict(float)
        by_band = {
            self.flock.birds[bird].bird: bird
            for bird in (row, self.flock.sire[row], self.flock.dam[row])
            if bird >= 0
        }
        for culprit in blamed:
            own = culprit.kind in OWN_RECORDS and culprit.bands
            share[by_band.get(culprit.bands[0], row) if own else row] += culprit.share
        return share

    def of_counts(self) -> Iterator[tuple[int, Conflict]]:
        """Yield counted chicks that the genotypes and combs on record of their parents exclude."""
        limit = tables()["conflict"]["impossible"]
        claims = self.claims("comb")
        combs = self.inference.combs
        for counted, context in zip(self.inference.counted, combs.matings, strict=True):
            fits = fit_of_counts(counted)
            free = context / np.outer(
                np.maximum(combs.seen[counted.sire], 1e-12),
                np.maximum(combs.seen[counted.dam], 1e-12),
            )
            free = free / free.sum()
            s, d = claims[counted.sire], claims[counted.dam]
            together = float(np.einsum("sd,s,d,sd->", free, s, d, fits))
            apart = (free.sum(1) @ s) * (free.sum(0) @ d) * (free * fits).sum()
            if together >= limit * apart:
                continue
            slip = float(tables()["person"]["wrong_count"])
            joint = context * (fits + slip)
            joint = joint / joint.sum()
            true = fits / (fits + slip)
            weights: dict[Culprit, float] = {}
            pair = (counted.sire, counted.dam)
            bands = tuple(self.flock.birds[row].bird for row in pair)
            own = [self.truths("comb", row) for row in pair]
            sure = [np.prod([c.true for c in some] or [np.ones(9)], axis=0) for some in own]
            with np.errstate(divide="ignore"):
                wrong = (joint * (1 - true) * np.outer(*sure)).sum()
                weights[Culprit("culprit_counts", bands)] = float(np.log(wrong))
                for axis, some in enumerate(own):
                    for claim in some:
                        rest = np.prod(
                            [c.true for c in some if c is not claim] or [np.ones(9)], axis=0
                        )
                        mine = (1 - claim.true) * rest
                        both = np.outer(mine, sure[1]) if axis == 0 else np.outer(sure[0], mine)
                        culprit = Culprit(claim.kind, (self.flock.birds[claim.row].bird,))
                        weights[culprit] = float(np.log((joint * true * both).sum()))
            named = (
                *(r for row in pair for r in self.records_told("comb", row)),
                Message("record_counts", band=bands[0], other=bands[1]),
            )
            for row in pair:
                conflict = Conflict(
                    Message("piece_counted"), "", together, by_share(weights), named
                )
                yield row, conflict

    def conflict(
        self, layer: str, row: int, chance: float, culprits: tuple[Culprit, ...]
    ) -> Conflict:
        """Return a conflict that names all records of a bird and its parents at one layer."""
        family = [bird for bird in (row, self.flock.sire[row], self.flock.dam[row]) if bird >= 0]
        named = tuple(told for bird in family for told in self.records_told(layer, bird))
        return Conflict(Message("piece_relatives"), "", chance, culprits, named)

    def records_told(self, layer: str, row: int) -> Iterator[Message]:
        """Yield what is on record of a bird, as sentences to be."""
        bird, seen = self.flock.birds[row], self.evidence[row]
        if layer == "comb":
            if self.records[row].comb:
                yield Message("record_comb", band=bird.bird, comb=self.records[row].shown_as)
            if bird.genotype:
                yield Message("record_genotype", band=bird.bird, genotype=bird.genotype)
        elif getattr(seen, layer) is not None:
            there = "there" if getattr(seen, layer) else "absent"
            yield Message(f"record_{layer}_{there}", band=bird.bird)

    # --- what may lie behind it ---

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
        if row not in self.layers[layer].posterior.families:
            return self.of_lonely(row)
        return by_share(self.weights(layer, row))

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
            weights[Culprit("culprit_none")] = float(np.log(none))
            weights[Culprit("culprit_several")] = float(np.log(several))
        weights |= self.other_parents(row)
        weights |= self.mixed_bands(row)
        return weights

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

    def partners(self, row: int) -> Rows:
        """Return the birds that hatched on the same day from different parents."""
        day = self.flock.birds[row].hatched
        if day is None or row in self.flock.candidate_parents:
            return np.zeros(0, np.int64)
        others = np.array(self.on_day[day], np.int64)
        sire, dam = self.layers["comb"].sire, self.layers["comb"].dam
        different = (sire[others] != sire[row]) | (dam[others] != dam[row])
        return others[different & (sire[others] != row) & (dam[others] != row)]

    def mixed_bands(self, row: int) -> dict[Culprit, float]:
        """Logarithms of the weights of swaps of two bands; birds that are alike count as one."""
        others = self.partners(row)
        if not len(others):
            return {}
        fits = sum(layer.swapped(row, others) for layer in self.layers.values())
        fits = np.asarray(fits) + np.log(float(tables()["conflict"]["mixed_band"]) / len(others))
        order = np.argsort(-fits)
        likeliest, rest = order[:LIKELIEST_SWAPS], order[LIKELIEST_SWAPS:]
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


OWN_RECORDS = ("culprit_comb", "culprit_genotype", "culprit_crest", "culprit_beard")


def conflicts_of(
    flock: Flock, evidence: Sequence[Evidence], inference: Inference
) -> dict[int, Conflict]:
    """Return the contradictions of a flock by row of the birds that they are told at."""
    return Contradictions(flock, evidence, inference).found()
