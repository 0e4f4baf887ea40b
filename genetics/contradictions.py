"""Records that can't all be true, and which of them is likelier wrong, from a posterior's messages.

Nothing is inferred anew: what the rest of the flock says of a bird and its parents is kept by the
inference (`Answer.families`), and every explanation follows from it in closed form. Only a swap of
two bands takes both birds' surroundings as independent of each other, which is exact for birds
that aren't related; how close it comes else is measured by `benchmarks/culprits.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from genetics.answers import Posterior
from genetics.factors import Array
from genetics.pedigree import Rows

SMALL = 1e-12


@dataclass(frozen=True)
class Surroundings:
    """One layer of a flock with its posterior: what each bird's records meet."""

    posterior: Posterior
    sire: Rows
    dam: Rows
    transmission: Array
    """(K, K, K)"""
    prior: Array
    """(n, K): of founders."""

    def parents_of(self, row: int) -> tuple[int, int]:
        """Return rows of sire and dam; -1 if unknown."""
        return int(self.sire[row]), int(self.dam[row])

    def seen(self, row: int) -> Array:
        """Return a bird's own evidence (K,); ones for row -1."""
        return self.posterior.seen[row] if row >= 0 else np.ones(self.transmission.shape[-1])

    def around(self, row: int) -> Array:
        """Return what is known of sire, dam and bird (K, K, K) but for inheritance."""
        table = self.posterior.families[row]
        return table[:, :, None] * self.seen(row) if table.ndim == 2 else table

    def trio(self, row: int) -> Array:
        """Return the joint distribution of sire, dam and bird (K, K, K) given everything."""
        joint = self.around(row) * self.transmission
        return np.asarray(joint / joint.sum())

    def lifts(self, claims: Array, rows: Rows) -> Array:
        """Return how likely records of bird and parents are together, over each by itself.

        `claims` (n, K): chance that a bird of each genotype shows what is on record of it; ones
        where nothing is. (m,) for `rows`, which need a known parent; 1 for records that have
        nothing to do with each other, near 0 for a contradiction.
        """
        found = np.ones(len(rows))
        leaf = np.array([self.posterior.families[r].ndim == 2 for r in rows.tolist()], bool)
        for kind in (True, False):
            for part in np.array_split(
                np.flatnonzero(leaf == kind), 1 + (leaf == kind).sum() // 4096
            ):
                if len(part):
                    found[part] = self._lifts(claims, rows[part], kind)
        return found

    def _lifts(self, claims: Array, rows: Rows, leaf: bool) -> Array:
        tables = np.stack([self.posterior.families[r] for r in rows.tolist()])
        states = self.transmission.shape[-1]
        ones = np.ones((1, states))
        known, claimed = (np.concatenate([t, ones]) for t in (self.posterior.seen, claims))
        sires, dams = self.sire[rows], self.dam[rows]  # -1 is the row of ones
        known = np.maximum(known, SMALL)
        if leaf:
            pairs = tables / known[sires][:, :, None] / known[dams][:, None, :]
            shows = claimed[rows] @ self.transmission.reshape(-1, states).T
            mine = shows.reshape(pairs.shape)
        else:
            tables = tables / known[rows][:, None, None, :]
            tables = tables / known[sires][:, :, None, None] / known[dams][:, None, :, None]
            both = tables * self.transmission
            pairs = both.sum(3)
            mine = np.einsum("nsdc,nc->nsd", both, claimed[rows])
            mine = np.where(pairs > 0, mine / np.maximum(pairs, 1e-300), 0)
        total = pairs.sum((1, 2))
        s, d = claimed[sires][:, :, None], claimed[dams][:, None, :]
        together = (pairs * s * d * mine).sum((1, 2)) / total
        alone = [(pairs * what).sum((1, 2)) / total for what in (s, d, mine)]
        apart = np.prod(alone, axis=0)
        return np.asarray(np.where(apart > 0, together / np.maximum(apart, 1e-300), 1))

    def founder_instead(self, row: int, side: int) -> float:
        """Evidence with an unknown founder for the sire (0) or dam (1), over that as recorded."""
        around = self.around(row)
        averaged = np.tensordot(self.prior[row], self.transmission, (0, side))
        other = averaged[None, :, :] if side == 0 else averaged[:, None, :]
        return float((around * other).sum() / (around * self.transmission).sum())

    @cached_property
    def above(self) -> Array:
        """(n, K): what a bird's parents make it, before its records and chicks; scaled."""
        found = self.prior.copy()
        for row, table in self.posterior.families.items():
            if table.ndim == 2:
                found[row] = self.posterior.cavities[row]
            else:
                found[row] = np.tensordot(table.sum(2), self.transmission, 2)
        return np.asarray(found / found.sum(1, keepdims=True))

    @cached_property
    def below(self) -> Array:
        """(n, K): what a bird's records and chicks say of it, scaled."""
        found = self.posterior.marginals / np.maximum(self.above, SMALL)
        for row, table in self.posterior.families.items():
            found[row] = self.posterior.seen[row] if table.ndim == 2 else table.sum((0, 1))
        return np.asarray(found / found.max(1, keepdims=True))

    @cached_property
    def as_recorded(self) -> Array:
        """(n,): how well what is above a bird fits what is below it."""
        return np.asarray((self.above * self.below).sum(1))

    def among(self, rows: Rows) -> Exchange:
        """Return some birds as those that others' bands may have been mixed up with."""
        return Exchange(self.above[rows], self.below[rows], self.as_recorded[rows])

    def swapped(self, row: int, others: Exchange) -> Array:
        """Evidence (m,) with two birds' bands exchanged, over that as recorded."""
        to = (others.below @ self.above[row]) * (others.above @ self.below[row])
        return np.asarray(to / np.maximum(self.as_recorded[row] * others.as_recorded, 1e-300))


@dataclass(frozen=True)
class Exchange:
    """Birds that hatched on one day, in arrays (m, K)."""

    above: Array
    below: Array
    as_recorded: Array


@dataclass(frozen=True, eq=False)
class Claim:
    """One record of a bird, and how likely it is true."""

    kind: str
    row: int
    true: Array
    """(K,): by genotype, given all the bird's records."""


def blame(
    around: Surroundings, row: int, claims: Sequence[Claim]
) -> tuple[dict[Claim, float], float, float]:
    """Share the contradiction between a bird's and its parents' records out, pedigree as recorded.

    Returns the chance that each claim is wrong, that none is, and that several are. The bird's own
    come first: whether a parent's is wrong as well (its other chicks may tell) is no matter then.
    """
    joint = around.trio(row)
    sire, dam = around.parents_of(row)
    axis = {sire: 0, dam: 1, row: 2}
    shapes = np.full((len(claims), 3), 1)
    for i, claim in enumerate(claims):
        shapes[i, axis[claim.row]] = -1
    true = [claim.true.reshape(shape) for claim, shape in zip(claims, shapes, strict=True)]

    def chance(wrong: int | None, among: Sequence[int]) -> float:
        """Chance that all of `among` are true but the one."""
        table = joint
        for k in among:
            table = table * (1 - true[k] if k == wrong else true[k])
        return float(table.sum())

    everyone = range(len(claims))
    own = [i for i in everyone if claims[i].row == row]
    alone = {claims[i]: chance(i, own if i in own else everyone) for i in everyone}
    none = chance(None, everyone)
    return alone, none, max(0.0, 1 - none - sum(alone.values()))
