"""Which cock to which hen: what the chicks would be, how inbred, how many eggs to set.

The parents' genotypes are taken as independent given all records; for close relatives that is an
approximation, and the answer says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from genetics.combs import Array, textbook_comb
from genetics.cross import transmission
from genetics.errors import GeneticsError
from genetics.evidence import from_genotype
from genetics.genotype import DOSES, NAMES, GenotypeError
from genetics.messages import Message
from genetics.numbers import toml
from genetics.rates import Rates
from genetics.testmating import check_rates, eggs_for_shares

Counts = NDArray[np.int64]
Rows = NDArray[np.int64]
GOALS = ("walnut", "true-breeding", "no-single")
PURE_ROSE = np.array([d[0] == 2 for d in DOSES], float)


class PlanError(GeneticsError):
    """A plan that can't be made; the message says why."""


def fertility() -> dict[str, Any]:
    """Rates and the published fertility of R/R cocks, from `fertility.toml`."""
    return toml("fertility")


def usual_rates() -> Rates:
    """Fertility, hatchability and livability to start from: ours, or the user's own."""
    rates = fertility()["rates"]
    return Rates(rates["fertility"], rates["hatch"], rates["rearing"])


@dataclass(frozen=True)
class PlanRequest:
    """What a plan is to reach: so many chicks that meet the goal, this surely, at these rates."""

    goal: str
    """One of GOALS, or a genotype such as 'R/R P/?'."""
    keepers: int
    certainty: float
    rates: Rates


@dataclass(frozen=True)
class Mating:
    """A pair and what its chicks would be."""

    sire: int
    dam: int
    keepers: float
    """Chance that a chick meets the goal."""
    walnut: float
    single: float
    true_breeding: float
    """Chance of R/R P/P."""
    inbreeding: float
    """Wright's coefficient of the chicks."""
    eggs: int | None
    """Eggs to set for the wanted keepers; None if no chick can meet the goal."""
    eggs_if_less_fertile: int | None
    """The same if the cock is R/R and less fertile, as assumed; None if he isn't R/R."""
    cautions: tuple[Message, ...]


def goal_mask(goal: str) -> Array:
    """Which genotypes (9,) meet a goal. Raises PlanError for an unknown one."""
    if goal == "walnut":
        return np.array([textbook_comb(i) == "walnut" for i in range(9)], float)
    if goal == "true-breeding":
        return from_genotype("R/R P/P")
    if goal == "no-single":
        return np.array([textbook_comb(i) != "single" for i in range(9)], float)
    try:
        return from_genotype(goal)
    except GenotypeError:
        raise PlanError("unknown_goal", goal=goal, known=tuple(GOALS)) from None


def less_fertile(rates: Rates) -> Rates:
    """Rates with the fertility that is assumed of an R/R cock in a pen.

    The published trial is of single inseminations over three weeks: that isn't a pen's fertility.
    """
    share = float(fertility()["rose_homozygous_cock"]["pen_share"])
    return rates._replace(fertility=rates.fertility * share)


@dataclass(frozen=True)
class Ranking:
    """All pairs of some cocks and hens, in arrays; pairs are made out of them as they are asked
    for.
    """

    cocks: Rows
    hens: Rows
    shares: Array
    """(4, cocks, hens): chicks that meet the goal, walnut, R/R P/P, single."""
    inbreeding: Array
    """(cocks, hens)"""
    pure_rose: Array
    """(cocks,): chance of R/R."""
    eggs: Counts
    """(cocks, hens), 0 if no chick can meet the goal."""
    eggs_if_less_fertile: Counts
    order: Rows
    """Pairs as numbers cock * hens + hen, the best first."""

    def __len__(self) -> int:
        return len(self.order)

    def mating(self, number: int) -> Mating:
        """Return a pair by its number."""
        i, j = divmod(number, len(self.hens))
        keepers, walnut, pure, single = self.shares[:, i, j].tolist()
        inbred = float(self.inbreeding[i, j])
        return Mating(
            int(self.cocks[i]),
            int(self.hens[j]),
            keepers,
            walnut,
            single,
            pure,
            inbred,
            int(self.eggs[i, j]) or None,
            int(self.eggs_if_less_fertile[i, j]) or None,
            cautions(float(self.pure_rose[i]), inbred),
        )

    def best(self, most: int | None = None) -> list[Mating]:
        """Return the best pairs, or all of them."""
        return [self.mating(number) for number in self.order[:most].tolist()]

    def best_of_each_cock(self, hens: int) -> list[list[Mating]]:
        """Return every cock's best pairs."""
        of_cock = self.order // len(self.hens)
        return [
            [self.mating(n) for n in self.order[of_cock == i][:hens].tolist()]
            for i in range(len(self.cocks))
        ]


def rank(
    marginals: Array,
    kin: Array,
    cocks: Sequence[int],
    hens: Sequence[int],
    request: PlanRequest,
) -> Ranking:
    """All pairs, the best first: by the chance of a keeper, then by less inbreeding.

    `marginals` (n, 9) and `kin` (n, n) by row. Raises PlanError if there is no cock or no hen.
    """
    if not len(cocks) or not len(hens):
        raise PlanError("plan_needs_both_sexes")
    if request.keepers < 1:
        raise PlanError("too_few_wanted", keepers=request.keepers)
    columns = [goal_mask(name) for name in (request.goal, "walnut", "true-breeding")]
    columns.append(np.eye(len(NAMES))[NAMES.index("r+/r+ p+/p+")])
    # p(chick meets it | both parents) by genotype, then by pair: (4, cocks, hens).
    by_parents = transmission() @ np.array(columns).T
    sires, dams = marginals[list(cocks)], marginals[list(hens)]
    shares = np.einsum("si,ijk,dj->ksd", sires, by_parents, dams, optimize=True)
    pure = sires @ PURE_ROSE
    inbred = kin[np.ix_(list(cocks), list(hens))]
    eggs, low = eggs_for(request, shares[0], (pure >= 0.05)[:, None])
    rows, across = np.indices(inbred.shape).reshape(2, -1)
    # The best first: by keepers, inbreeding, and the birds' rows.
    keys = (np.array(hens)[across], np.array(cocks)[rows], inbred.ravel())
    order = np.lexsort((*keys, -shares[0].ravel().round(6)))
    return Ranking(np.array(cocks), np.array(hens), shares, inbred, pure, eggs, low, order)


def eggs_for(
    request: PlanRequest, shares: ArrayLike, less_fertile_too: ArrayLike
) -> tuple[Counts, Counts]:
    """Return eggs that leave enough chicks that meet the goal, which `shares` of the chicks do.

    And the same for cocks less fertile as R/R ones may be, where `less_fertile_too`; both
    have the shape of `shares`, and 0 stands for no number: no chick can meet the goal, or nobody
    asked. Of many pairs few shares differ, and each is worked out once.
    """
    distinct, place = np.unique(np.asarray(shares, float), return_inverse=True)
    place = place.reshape(np.shape(shares))
    some = distinct > 1e-6

    def eggs(rates: Rates) -> Counts:
        check_rates(rates, request.certainty)
        found = np.zeros(len(distinct), np.int64)
        wanted = rates.scored * distinct[some]
        found[some] = eggs_for_shares(request.keepers, wanted, request.certainty)
        return found[place]

    return eggs(request.rates), np.where(less_fertile_too, eggs(less_fertile(request.rates)), 0)


def cautions(pure_rose: float, inbreeding: float) -> tuple[Message, ...]:
    """Return what to mind about a pair."""
    found = []
    if pure_rose >= 0.05:
        found.append(Message("cock_perhaps_pure_rose", chance=pure_rose))
    if inbreeding >= 0.125:
        code = "inbred_as_full_sibs" if inbreeding >= 0.25 else "inbred_as_half_sibs"
        found.append(Message(code, coefficient=inbreeding))
    return tuple(found)


@dataclass(frozen=True)
class Pen:
    """One cock with several hens, each laying the same number of eggs."""

    sire: int
    dams: tuple[int, ...]
    keepers: float
    """Mean chance over the hens that a chick meets the goal."""
    walnut: float
    single: float
    true_breeding: float
    inbreeding: float
    """Mean of Wright's coefficient of the chicks."""
    most_inbred: float
    """The highest of them."""
    eggs: int | None
    """Eggs of the whole pen for the wanted keepers; None if no chick can meet the goal."""
    eggs_if_less_fertile: int | None
    cautions: tuple[Message, ...]


def pens(
    found: Ranking,
    hens: int,
    request: PlanRequest,
) -> list[Pen]:
    """Each cock with his best `hens` hens out of ranked matings, the best pen first.

    A cock with fewer hens at hand gets all of them. Raises PlanError for a pen without hens.
    """
    if hens < 1:
        raise PlanError("too_few_hens", hens=hens)
    made = []
    for chosen in found.best_of_each_cock(hens):
        sire = chosen[0].sire

        def mean(name: str, of: Sequence[Mating] = chosen) -> float:
            return float(np.mean([getattr(m, name) for m in of]))

        share = mean("keepers")
        doubted = any(m.eggs_if_less_fertile is not None for m in chosen)
        eggs, low = eggs_for(request, share, doubted)
        notes = dict.fromkeys(note for m in chosen for note in m.cautions)
        made.append(
            Pen(
                sire,
                tuple(m.dam for m in chosen),
                share,
                mean("walnut"),
                mean("single"),
                mean("true_breeding"),
                mean("inbreeding"),
                max(m.inbreeding for m in chosen),
                int(eggs) or None,
                int(low) or None,
                tuple(notes),
            )
        )
    return sorted(made, key=lambda p: (-round(p.keepers, 6), p.inbreeding, p.sire))
