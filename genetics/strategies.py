"""Strategies over several generations, simulated with finite hatches and test matings.

From one R/R P/P cock and unrelated single-combed hens to the first cock and hen that both pass a
test mating to the double recessive. A season is a year: one hatch and one round of test matings of
birds hatched the year before. Combs are taken as read rightly; the test is not: a carrier may go
unseen.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
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


def hatched_already(name: str, at_hand: Collection[str]) -> int:
    """Return how many of a strategy's first hatches needn't be set any more.

    `at_hand` tells the kinds of birds that there are, cock and hen where both are needed: 'cock'
    the R/R P/P cock, 'hen' single-combed hens, 'F1 cock' and 'F1 hen' walnut chicks of the two.

    >>> hatched_already("intercross", {"F1 cock", "F1 hen"})
    1
    >>> hatched_already("back-to-the-walnut", {"F1 cock"})
    0
    """
    plan = table()["strategies"][name]
    father, mother = plan["last"].split(" x ")
    needed = {f"{father} cock" if father == "F1" else father, f"{mother} hen"}
    if father == "BC":  # chicks of an F1 bird and of the single-combed variety
        enough = "hen" in at_hand and bool({"F1 cock", "F1 hen"} & set(at_hand))
        return 1 if enough else 0
    return len(plan["matings"]) if needed <= set(at_hand) else 0


def simulate(
    name: str,
    eggs: int,
    rates: Rates,
    runs: int,
    rng: np.random.Generator,
    at_hand: Collection[str] = (),
) -> Outlook:
    """Play a strategy `runs` times with `eggs` set for each last hatch.

    It begins with the birds `at_hand`, by `hatched_already`; without any, with the foundation
    cock and single-combed hens.

    Raises TestMatingError for an unknown strategy, no eggs or no runs, or rates out of bounds.
    """
    numbers, strategies = table()["assumed"], table()["strategies"]
    if name not in strategies:
        raise TestMatingError("unknown_strategy", name=name, known=tuple(strategies))
    if eggs < 1 or runs < 1:
        raise TestMatingError("too_few_eggs_or_runs", eggs=eggs, runs=runs)
    plan = strategies[name]
    father, mother = plan["last"].split(" x ")
    chicks = int(numbers["test_chicks"])
    game = Game(
        np.array(transmission()[GENOTYPE[father], GENOTYPE[mother]]),
        silent_chance(chicks),
        eggs_needed(chicks, rates, 0.9),
        eggs,
        rates.scored,
        int(numbers["chosen_eggs"]),
        len(plan["matings"]) - hatched_already(name, at_hand),
        int(numbers["most_seasons"]),
        int(numbers["tests_each_season"]),
    )
    played = [play(game, rng) for _ in range(runs)]
    done = [p for p in played if p.season is not None]
    ends = np.array([game.last + 1 if p.season is None else p.season for p in played])
    eggs_by = np.array([p.eggs for p in played])
    return Outlook(
        name=name,
        words=plan["words"],
        proven=len(done) / runs,
        truly_pure=float(np.mean([p.pure for p in done])) if done else 0.0,
        seasons=spread([p.season for p in done if p.season is not None]),
        eggs=spread([p.spent for p in done]),
        birds_reared=float(np.mean([p.birds for p in played])),
        inbreeding=pair_inbreeding(name),
        variety=(VARIETY[father] + VARIETY[mother]) / 2,
        course=tuple(
            Season(number, float((ends <= number).mean()), percentiles(eggs_by[:, number - 1]))
            for number in range(1, game.last + 1)
        ),
    )


@dataclass(frozen=True)
class Game:
    """What one run of a strategy goes by."""

    law: Array
    """Genotypes of the chicks that are tested (9,)."""
    silent: Array
    """By genotype (9,), the chance that a test doesn't give it away."""
    test_eggs: int
    eggs: int
    """Set for each hatch that is tested."""
    lived: float
    """Share of eggs that become a scored chick."""
    chosen_eggs: int
    """Set for each hatch before the last one."""
    first: int
    """Hatches before the last one."""
    last: int
    """Season after which the breeder gives up."""
    room: int
    """Birds that can be tested in a season."""


@dataclass(frozen=True)
class Played:
    """How one run went: the season of the proven pair, None if there was none."""

    season: int | None
    spent: int
    pure: bool
    birds: int
    eggs: list[int]
    """Eggs set until the end of each season."""


def play(game: Game, rng: np.random.Generator) -> Played:
    """Simulate one breeder's seasons until a cock and a hen have passed their tests."""
    # The hatches before: enough chicks come of them that parents are found.
    spent = game.chosen_eggs * game.first
    birds = int(rng.binomial(spent, game.lived))
    course = [game.chosen_eggs * number for number in range(1, game.first + 1)]
    waiting: dict[str, list[int]] = {"cock": [], "hen": []}
    passed: dict[str, int] = {}
    for season in range(game.first + 1, game.last + 1):
        # Test first the birds of the year before, as many as there is room for, then hatch.
        room = game.room
        while room and any(waiting[s] for s in waiting if s not in passed):
            for sex in [s for s in ("cock", "hen") if s not in passed and waiting[s]]:
                if not room:
                    break
                room -= 1
                spent += game.test_eggs
                candidate = waiting[sex].pop()
                if rng.random() < game.silent[candidate]:
                    passed[sex] = candidate
        if len(passed) == 2:
            course += [spent] * (game.last - len(course))
            pure = all(genotype == PURE for genotype in passed.values())
            return Played(season, spent, pure, birds, course)
        spent += game.eggs
        course.append(spent)
        hatched = rng.choice(9, size=rng.binomial(game.eggs, game.lived), p=game.law)
        birds += len(hatched)
        for genotype in hatched[WALNUT[hatched]].tolist():
            waiting["cock" if rng.random() < 0.5 else "hen"].append(genotype)
    return Played(None, spent, False, birds, course)


def spread(values: Sequence[float]) -> tuple[float, float, float]:
    """Return the 10th, 50th and 90th percentile; not numbers if there are no values."""
    low, middle, high = np.percentile(values or [np.nan], [10, 50, 90])
    return float(low), float(middle), float(high)


def percentiles(values: Array) -> tuple[float, float, float, float, float]:
    """10th, 25th, 50th, 75th and 90th percentile."""
    low, quarter, middle, upper, high = np.percentile(values, [10, 25, 50, 75, 90]).tolist()
    return low, quarter, middle, upper, high


def cheapest(outlooks: list[Outlook]) -> Outlook | None:
    """Return the strategy with the fewest eggs in the median among those that are sure enough."""
    least = float(table()["assumed"]["sure_enough"])
    sure = [o for o in outlooks if o.proven >= least]
    return min(sure, key=lambda o: o.eggs[1], default=None)
