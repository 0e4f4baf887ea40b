"""The contradictions of a flock: found in its posteriors, told with the likelier culprits."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import chain

import numpy as np

from genetics.combs import penetrance, tables
from genetics.rater_agreement import COARSE, coarse
from service.flock.conflicts import Conflict, Culprit, by_share
from service.flock.culprits import BLAMED, Culprits, can_show, coarse_combs, textbook_shows
from service.flock.evidence import Array, Evidence
from service.flock.flock_csv import Flock
from service.flock.inference import Inference, crest_chance, fit_of_counts
from service.wording.sentences import Message

OWN_RECORDS = ("culprit_comb", "culprit_genotype", "culprit_crest", "culprit_beard")


class Contradictions(Culprits):
    """All contradictions of a flock, by row of the bird that they are told at."""

    def found(self) -> dict[int, Conflict]:
        """Return the conflicts, one at most for a bird: an impossible reading before all else."""
        found = self.impossible_readings()
        more = (
            self.within_birds(),
            self.between_relatives(),
            self.of_counts(),
            self.by_themselves(),
        )
        for row, conflict in chain(*more):
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

    @cached_property
    def claims(self) -> dict[str, Array]:
        """By layer, (n, K): chance that each genotype shows what is on record; ones for nothing."""
        return {layer: self.claims_at(layer) for layer in self.layers}

    def claims_at(self, layer: str) -> Array:
        """Return the claims of one layer (n, K)."""
        if layer != "comb":
            noted = [getattr(seen, layer) for seen in self.evidence]
            table = {None: [1.0, 1, 1], True: [1.0, 1, 0], False: [0.0, 0, 1]}
            return np.array([table[there] for there in noted]).reshape(-1, 3)
        shown = {word: can_show(word) for word in COARSE} | {"": np.ones(9)}
        found = np.array([shown[record.comb] for record in self.records]).reshape(-1, 9)
        for row, bird in enumerate(self.flock.birds):
            if bird.genotype:
                found[row] = found[row] * (self.evidence[row].genotype == 1)
        return found

    def by_themselves(self) -> Iterator[tuple[int, Conflict]]:
        """Yield records, combs aside, that all the others together make all but impossible."""
        limit = tables()["conflict"]["impossible"]
        for name, layer in self.layers.items():
            if name == "comb":
                known = [bool(bird.genotype) for bird in self.flock.birds]
                claims = np.array([seen.genotype == 1 for seen in self.evidence], float)
                claims = claims.reshape(-1, 9)
            else:
                known = [getattr(seen, name) is not None for seen in self.evidence]
                claims = self.claims[name]
            chances = (layer.posterior.cavities * claims).sum(1)
            for row in np.flatnonzero(np.array(known, bool) & (chances < limit)).tolist():
                yield row, self.conflict(name, row, float(chances[row]), self.culprits(name, row))

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
            lifts = layer.lifts(self.claims[name], rows)
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
        combs = self.inference.combs
        for counted, context in zip(self.inference.counted, combs.matings, strict=True):
            if context is None:
                continue
            fits = fit_of_counts(counted)
            free = context / np.outer(
                np.maximum(combs.seen[counted.sire], 1e-12),
                np.maximum(combs.seen[counted.dam], 1e-12),
            )
            free = free / free.sum()
            s, d = (self.claims["comb"][row] for row in (counted.sire, counted.dam))
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


def conflicts_of(
    flock: Flock, evidence: Sequence[Evidence], inference: Inference
) -> dict[int, Conflict]:
    """Return the contradictions of a flock by row of the birds that they are told at."""
    return Contradictions(flock, evidence, inference).found()
