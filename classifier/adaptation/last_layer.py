"""Fitting a change of the last layer: to a flock's heads, without forgetting the bank's.

Multinomial logistic regression on top of the shipped logits. What is added is small (a Gaussian
prior on the whitened directions), and what the shipped reader says of the bank's heads stays as it
is (Kullback-Leibler divergence, as in Li and Hoiem 2016, Learning without forgetting, from memory).
The loss is convex, so the same cases give the same change.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, minimize_scalar
from scipy.special import log_softmax, logsumexp

from classifier.adaptation.bank import Bank, allowed_of
from classifier.adaptation.change import Change
from classifier.outputs import coarse_chances
from classifier.vocabulary import COARSE, COMBS, coarse_of

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
REHEARSAL = 8.0  # weight of the bank beside the flock, chosen on two rendered strains (10 and 11)
# Weight of the prior on the directions. Chosen for each flock by cross-validation.
STRENGTHS = (0.03, 0.1, 0.3, 1.0, 3.0)
OTHERS = 0.5  # weight of heads from other flocks beside the flock's own (assumption)
STEP, MOST_STEPS = 0.25, 8  # by which the offsets of combs that a flock lacks are raised
WEAKEST_CHANCE = 1e-4  # no head counts for more than this
SURE = 0.25  # how far the logarithm of a temperature is likely to be from 0


@dataclass(frozen=True, eq=False)
class Cases:
    """Confirmed heads of a flock, each by its looks; row 0 of the looks is the head as read."""

    directions: Array
    """(n, looks, k)"""
    logits: Array
    """(n, looks, 6) calibrated, of the shipped reader."""
    labels: tuple[str, ...]
    birds: tuple[str, ...]
    groups: tuple[str, ...]
    """What is never split: a hatch or a bird, near-duplicates joined."""

    def of(self, chosen: Ints) -> Cases:
        """Return some of the heads."""
        return Cases(
            self.directions[chosen],
            self.logits[chosen],
            tuple(self.labels[i] for i in chosen),
            tuple(self.birds[i] for i in chosen),
            tuple(self.groups[i] for i in chosen),
        )

    @property
    def coarse(self) -> tuple[str, ...]:
        """Coarse comb of each head."""
        return tuple(str(coarse_of(label)) for label in self.labels)

    def weights(self) -> Array:
        """Return weights of the heads (n,): combs alike, in a comb its birds alike; they sum to 1.

        So the reader's chances stay free of how frequent the combs of one flock are: how often a
        comb is to be expected is what the pedigree says.
        """
        return balanced_weights(self.coarse, self.birds)


def balanced_weights(coarse: Sequence[str], birds: Sequence[str]) -> Array:
    """Return weights (n,) by which combs count alike, and in a comb its birds."""
    combs, names = np.array(coarse), np.array(birds)
    weights = np.zeros(len(combs))
    for comb in set(coarse):
        mine = combs == comb
        members = set(names[mine].tolist())
        for bird in members:
            here = mine & (names == bird)
            weights[here] = 1 / len(members) / here.sum()
    return np.asarray(weights / weights.sum())


def fit(cases: Cases, bank: Bank, strength: float, others: Cases | None = None) -> Change:
    """Return the change that fits the cases best; `bank` is the part that is rehearsed.

    `others` are confirmed heads of other flocks, which count OTHERS times as much in all.
    """
    looks, k = cases.directions.shape[1:]
    parts = [(cases, 1.0)] if others is None else [(cases, 1.0), (others, OTHERS)]
    directions = np.concatenate([part.directions.reshape(-1, k) for part, _ in parts])
    logits = np.concatenate([part.logits.reshape(-1, len(COMBS)) for part, _ in parts])
    labels = [label for part, _ in parts for label in part.labels]
    inside = np.repeat(allowed_of(labels), looks, axis=0) > 0
    shares = np.concatenate([worth * part.weights() for part, worth in parts])
    weights = np.repeat(shares / looks, looks)
    coarse = [str(coarse_of(label)) for label in bank.labels]
    kept = REHEARSAL * balanced_weights(coarse, [str(i) for i in range(len(coarse))])
    was = bank.chances

    def loss(flat: Array) -> tuple[float, Array]:
        table = flat.reshape(len(COMBS), k + 1)
        matrix, offsets = table[:, :k], table[:, k]
        said = log_softmax(logits + directions @ matrix.T + offsets, axis=1)
        masked = np.where(inside, said, -np.inf)
        right = logsumexp(masked, axis=1)
        pull = weights[:, None] * (np.exp(said) - np.exp(masked - right[:, None]))
        now = log_softmax(bank.logits + bank.directions @ matrix.T + offsets, axis=1)
        drift = kept[:, None] * (np.exp(now) - was)
        value = -weights @ right - kept @ (was * now).sum(1) + strength / 2 * (table**2).sum()
        slope = strength * table
        slope[:, :k] += pull.T @ directions + drift.T @ bank.directions
        slope[:, k] += pull.sum(0) + drift.sum(0)
        return float(value), slope.ravel()

    start = np.zeros(len(COMBS) * (k + 1))
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 300})
    table = found.x.reshape(len(COMBS), k + 1)
    return Change(table[:, :k].copy(), table[:, k].copy())


def not_forgetting(change: Change, coarse: Sequence[str], bank: Bank) -> Change:
    """Return a change that says as much as before of rehearsed heads with combs the flock lacks.

    What is learned of a flock's combs draws heads of others towards them: the offsets of a comb
    that no bird of the flock (`coarse`) has are raised by steps until that is made good.
    """
    labels = [str(coarse_of(label)) for label in bank.labels]
    offsets = change.offsets.copy()
    for comb in sorted(set(labels) - set(coarse)):
        mine = np.array([label == comb for label in labels])
        truth = [comb] * int(mine.sum())
        before = coarse_scores(bank.logits[mine], truth).mean()
        columns = [COMBS.index(member) for member in COARSE[comb]]
        for _ in range(MOST_STEPS):
            now = Change(change.matrix, offsets, change.temperature)
            said = now.logits(bank.directions[mine], bank.logits[mine])
            if coarse_scores(said, truth).mean() >= before:
                break
            offsets[columns] += STEP
    return Change(change.matrix, offsets, change.temperature)


def coarse_scores(logits: Array, coarse: Sequence[str]) -> Array:
    """Return the logarithm of the chance of the true coarse comb (n,), from logits (n, 6)."""
    chances = coarse_chances(np.exp(log_softmax(logits, axis=1)))
    place = [list(COARSE).index(comb) for comb in coarse]
    return np.asarray(np.log(np.maximum(chances[np.arange(len(place)), place], WEAKEST_CHANCE)))


def folds_of(groups: Sequence[str], coarse: Sequence[str], count: int) -> list[Ints]:
    """Return the heads held out in each fold: groups whole, combs spread evenly.

    The same groups give the same folds. Fewer folds where there are fewer groups.
    """
    members: dict[str, list[int]] = {}
    for i, group in enumerate(groups):
        members.setdefault(group, []).append(i)
    combs = sorted(set(coarse))
    load = np.zeros((min(count, len(members)), len(combs)))
    held: list[list[int]] = [[] for _ in load]
    # Rare combs first, then the largest groups: each goes where fewest of its combs are.
    rarity = Counter(coarse)

    def order(group: str) -> tuple[int, int, str]:
        mine = members[group]
        return min(rarity[coarse[i]] for i in mine), -len(mine), group

    for group in sorted(members, key=order):
        mine = np.array([[coarse[i] == comb for comb in combs] for i in members[group]]).sum(0)
        alike = load @ mine
        best = np.flatnonzero(alike == alike.min())
        fold = int(best[np.argmin(load[best].sum(1))])
        load[fold] += mine
        held[fold] += members[group]
    return [np.array(sorted(some)) for some in held if some]


def best_strength(cases: Cases, bank: Bank, others: Cases | None = None, folds: int = 4) -> float:
    """Return the strength that says most of held-out heads of the flock."""
    held = folds_of(cases.groups, cases.coarse, folds)
    weights = cases.weights()
    sums = dict.fromkeys(STRENGTHS, 0.0)
    for some in held:
        rest = np.setdiff1d(np.arange(len(cases.labels)), some)
        if not len(rest):
            continue
        seen, left = cases.of(some), cases.of(rest)
        for strength in STRENGTHS:
            change = fit(left, bank, strength, others)
            said = change.logits(seen.directions[:, 0], seen.logits[:, 0])
            sums[strength] += float(weights[some] @ coarse_scores(said, seen.coarse))
    return max(STRENGTHS, key=lambda strength: (round(sums[strength], 6), strength))


def fitting_temperature(logits: Array, coarse: Sequence[str], weights: Array) -> float:
    """Return the temperature at which held-out logits (n, 6) keep their word.

    Few heads say little of it, so it stays near 1 (a Gaussian prior on its logarithm).
    """
    count = len(coarse)

    def loss(log_t: float) -> float:
        fit_of = weights @ coarse_scores(logits / np.exp(log_t), coarse)
        return float(-count * fit_of + (log_t / SURE) ** 2 / 2)

    return float(np.exp(minimize_scalar(loss, bounds=(-1.0, 1.0), method="bounded").x))
