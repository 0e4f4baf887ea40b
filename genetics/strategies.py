"""Strategies over several generations, simulated with finite hatches and test matings.

From one R/R P/P cock and unrelated single-combed hens to the first cock and hen that both pass a
test mating to the double recessive. A season is a year: one hatch and one round of test matings of
birds hatched the year before. Combs are taken as read rightly; the test is not: a carrier may go
unseen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from genetics.combs import Array
from genetics.cross import transmission
from genetics.genotype import index_of
from genetics.kinship import kinship
from genetics.numbers import toml
from genetics.planning import goal_mask
from genetics.rates import Rates
from genetics.testmating import TestMatingError, eggs_needed

PURE, F1, SINGLE = index_of("R/R P/P"), index_of("R/r+ P/p+"), index_of("r+/r+ p+/p+")
# Every walnut chick of the foundation cock or of F1 x single is R/r+ P/p+.
GENOTYPE = {"cock": PURE, "hen": SINGLE, "F1": F1, "BC": F1}
VARIETY = {"cock": 0.0, "hen": 1.0, "F1": 0.5, "BC": 0.75}
WALNUT = goal_mask("walnut") > 0


def table() -> dict[str, Any]:
    """Return the strategies and numbers of `strategy.toml`."""
    return toml("strategy")


@dataclass(frozen=True)
class Season:
    """Where a strategy stands at the end of a season, over all simulated runs."""

    number: int
    proven: float
    """Share of runs that have their proven pair by then."""
    eggs: tuple[float, float, float, float, float]
    """Eggs set so far: 10th, 25th, 50th, 75th, 90th percentile; none are set after the end."""


@dataclass(frozen=True)
class Outlook:
    """What a strategy comes to, over all simulated runs."""

    name: str
    words: str
    proven: float
    """Share of runs that end in a pair that passed its tests."""
    truly_pure: float
    """Share of those pairs in which both are R/R P/P."""
    seasons: tuple[float, float, float]
    """Tenth percentile, median and ninetieth percentile, of the runs that end in a pair."""
    eggs: tuple[float, float, float]
    birds_reared: float
    """Mean number of chicks reared to grow-out, test chicks not counted."""
    inbreeding: float
    """Wright's coefficient of the pair's chicks."""
    variety: float
    """Share of the pair's blood that is of the single-combed variety."""
    course: tuple[Season, ...] = ()
    """Season by season, up to the last one simulated."""


def silent_chance(chicks: int) -> Array:
    """Chance (9,) that a bird of each genotype shows no comb but walnut in a test mating."""
    walnut_chick = transmission()[:, SINGLE, :] @ WALNUT
    return np.asarray(walnut_chick**chicks)


def pair_inbreeding(name: str) -> float:
    """Inbreeding of chicks of two birds of the last mating, their dams unrelated where possible."""
    #       cock hen hen hen hen  F1 F1   BC BC   (rows 0 to 8)
    sire = [-1, -1, -1, -1, -1, 0, 0, 5, 6]
    dam = [-1, -1, -1, -1, -1, 1, 2, 3, 4]
    parents = {
        "F1 x F1": ((5, 6), (5, 6)),
        "cock x F1": ((0, 5), (0, 6)),
        "BC x BC": ((7, 8), (7, 8)),
    }[table()["strategies"][name]["last"]]
    for father, mother in parents:
        sire.append(father)
        dam.append(mother)
    return float(kinship(sire, dam)[-2, -1])


def simulate(name: str, eggs: int, rates: Rates, runs: int, rng: np.random.Generator) -> Outlook:
    """Play a strategy `runs` times with `eggs` set for each last hatch.

    Raises TestMatingError for an unknown strategy, no eggs or no runs, or rates out of bounds.
    """
    numbers, strategies = table()["assumed"], table()["strategies"]
    if name not in strategies:
        raise TestMatingError("unknown_strategy", name=name, known=tuple(strategies))
    if eggs < 1 or runs < 1:
        raise TestMatingError("too_few_eggs_or_runs", eggs=eggs, runs=runs)
    plan = strategies[name]
    father, mother = plan["last"].split(" x ")
    law = np.array(transmission()[GENOTYPE[father], GENOTYPE[mother]])
    silent = silent_chance(int(numbers["test_chicks"]))
    test_eggs = eggs_needed(int(numbers["test_chicks"]), rates, 0.9)
    lived = float(np.prod(rates))
    done: list[tuple[int, int, bool]] = []
    reared = []
    first, last = len(plan["matings"]), int(numbers["most_seasons"])
    ends = np.full(runs, last + 1)
    eggs_by = np.zeros((runs, last), int)
    for run in range(runs):
        # The hatches before: enough chicks come of them that parents are found.
        spent = int(numbers["chosen_eggs"]) * len(plan["matings"])
        birds = int(rng.binomial(spent, lived))
        eggs_by[run, :first] = int(numbers["chosen_eggs"]) * np.arange(1, first + 1)
        eggs_by[run, first:] = spent
        waiting: dict[str, list[int]] = {"cock": [], "hen": []}
        passed: dict[str, int] = {}
        for season in range(first + 1, last + 1):
            # Test first the birds of the year before, as many as there is room for, then hatch.
            room = int(numbers["tests_each_season"])
            while room and any(waiting[s] for s in waiting if s not in passed):
                for sex in [s for s in ("cock", "hen") if s not in passed and waiting[s]]:
                    if not room:
                        break
                    room -= 1
                    spent += test_eggs
                    candidate = waiting[sex].pop()
                    if rng.random() < silent[candidate]:
                        passed[sex] = candidate
            if len(passed) == 2:
                done.append((season, spent, all(g == PURE for g in passed.values())))
                ends[run] = season
                eggs_by[run, season - 1 :] = spent
                break
            spent += eggs
            eggs_by[run, season - 1 :] = spent
            hatched = rng.choice(9, size=rng.binomial(eggs, lived), p=law)
            birds += len(hatched)
            for genotype in hatched[WALNUT[hatched]].tolist():
                waiting["cock" if rng.random() < 0.5 else "hen"].append(genotype)
        reared.append(birds)

    def spread(values: Sequence[float]) -> tuple[float, float, float]:
        low, middle, high = np.percentile(values or [np.nan], [10, 50, 90])
        return float(low), float(middle), float(high)

    return Outlook(
        name=name,
        words=plan["words"],
        proven=len(done) / runs,
        truly_pure=float(np.mean([d[2] for d in done])) if done else 0.0,
        seasons=spread([d[0] for d in done]),
        eggs=spread([d[1] for d in done]),
        birds_reared=float(np.mean(reared)),
        inbreeding=pair_inbreeding(name),
        variety=(VARIETY[father] + VARIETY[mother]) / 2,
        course=tuple(
            Season(number, float((ends <= number).mean()), percentiles(eggs_by[:, number - 1]))
            for number in range(1, last + 1)
        ),
    )


def percentiles(values: Array) -> tuple[float, float, float, float, float]:
    """10th, 25th, 50th, 75th and 90th percentile."""
    low, quarter, middle, upper, high = np.percentile(values, [10, 25, 50, 75, 90]).tolist()
    return low, quarter, middle, upper, high


def cheapest(outlooks: list[Outlook]) -> Outlook | None:
    """Return the strategy with the fewest eggs in the median among those that are sure enough."""
    least = float(table()["assumed"]["sure_enough"])
    sure = [o for o in outlooks if o.proven >= least]
    return min(sure, key=lambda o: o.eggs[1], default=None)
