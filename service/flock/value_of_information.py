"""What a next step is worth: how much it is expected to lower the cost of a wrong decision.

Two decisions are weighed: to take a bird for one of the six combs, and to breed from it as one
that breeds true (R/R P/P) or not. What a mistake costs is in `classifier/decision.toml` and in
`genetics/settling.toml`, in units of one wasted test mating. A step brings an observation whose
chances follow from what is believed of the bird now; after each the decision is made anew.
Preposterior analysis: Raiffa and Schlaifer 1961, Applied Statistical Decision Theory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from classifier.quality import rules
from classifier.vocabulary import COMBS
from genetics.combs import CLASSES, Array, penetrance, tables
from genetics.cross import transmission
from genetics.evidence import observer_confusion, with_observer_errors
from genetics.genotype import index_of
from service.flock.candidates import Candidate
from service.flock.next_steps import SINGLE, Step, chances_of, costs

CHICKS = 5  # of a test mating, in the value of it
ROUNDS = 200
PURE = index_of("R/R P/P")


@dataclass(frozen=True)
class StepValue:
    """A step with what it brings and costs."""

    step: Step
    gain: float
    """Expected fall of the expected cost of a mistake, in wasted test matings."""
    cost: float
    """Of the step, in the same unit."""

    @property
    def per_cost(self) -> float:
        """Gain for one unit of cost."""
        return self.gain / self.cost if self.cost > 0 else 0.0


def joint(candidate: Candidate, crest: bool | None) -> Array:
    """Genotype and comb together (9, 6), by the comb table, with the candidate's own margins.

    `crest` as noted; where nobody noted it, it is as likely as the bird's genotype there has it.
    Fitted by iterative proportional fitting (Deming and Stephan 1940): evidence on the genotype
    scales rows, evidence on the comb columns.
    """
    likely = 1 - candidate.crest.get("cr+/cr+", 1.0)
    table = penetrance(likely if crest is None else crest) + 1e-9
    rows = chances_of(candidate)
    columns = np.array([candidate.combs[c] for c in CLASSES])
    found = table * rows[:, None]
    for _ in range(ROUNDS):
        found = found * (columns / np.maximum(found.sum(0), 1e-300))
        found = found * (rows / np.maximum(found.sum(1), 1e-300))[:, None]
    return np.asarray(found / found.sum())


def cost_table() -> Array:
    """Cost of taking a bird for one comb (rows) when it has another (columns), (6, 6)."""
    listed = rules()["costs"]
    return np.array([[float(listed[taken].get(c, 0.0)) for c in COMBS] for taken in COMBS])


def least_risk(combs: Array) -> Array:
    """Return expected cost of the best decision for chances of the combs (..., 6)."""
    return np.asarray((combs @ cost_table().T).min(-1))


def least_breeding_risk(genotypes: Array) -> Array:
    """Return expected cost of the better of breeding from a bird as R/R P/P or not (..., 9)."""
    worth, pure = costs()["worth"], genotypes[..., PURE]
    taken, passed = float(worth["taken_for_pure"]), float(worth["pure_passed_over"])
    return np.asarray(np.minimum((1 - pure) * taken, pure * passed))


def gain_of_look(combs: Array, seen_given: Array) -> float:
    """Return expected fall in risk by a look: chances (6,), and p(seen | comb) (6, k)."""
    both = combs[:, None] * seen_given
    seen = both.sum(0)
    after = (both / np.maximum(seen, 1e-300)).T
    return float(least_risk(combs) - seen @ least_risk(after))


def gain_of_test(together: Array, chicks: int, rng: np.random.Generator, runs: int = 400) -> float:
    """Return expected fall in risk by a test mating to a single-combed bird, by simulation.

    `together` (9, 6) as `joint` gives it; chicks are misread as people do.
    """
    shows = with_observer_errors(transmission()[:, SINGLE, :] @ penetrance(False))
    before = together.sum(1)
    truth = rng.choice(len(before), size=runs, p=before / before.sum())
    counts = np.array([rng.multinomial(chicks, shows[g] / shows[g].sum()) for g in truth])
    logs = counts @ np.log(np.maximum(shows, 1e-300)).T
    weights = np.exp(logs - logs.max(1, keepdims=True))
    combs, genotypes = weights @ together, weights * before
    combs = combs / combs.sum(1, keepdims=True)
    genotypes = genotypes / genotypes.sum(1, keepdims=True)
    now = least_risk(together.sum(0)) + least_breeding_risk(before)
    return float(max(0.0, now - (least_risk(combs) + least_breeding_risk(genotypes)).mean()))


def reader_given(card: dict[str, Any], better: float = 0.0) -> Array:
    """p(read as | comb) of the reader (6, 6), from its scores on renders kept from training.

    Half a reading is added to each, so that nothing counts as impossible; `better` moves that
    share of the mistakes to the truth, for a photo on which more is to be seen.
    """
    scores = card.get("scores", {}).get("renders kept from training, given boxes")
    counts = np.array(scores["confusion"]["counts"], float) if scores else 5 * np.eye(6)
    table = (counts + 0.5) / (counts + 0.5).sum(1, keepdims=True)
    return np.asarray(table * (1 - better) + better * np.eye(6))


def price_of(step: Step) -> float:
    """Return what a step costs, in wasted test matings, by the worth of minutes, weeks and eggs."""
    worth = costs()["worth"]
    return float(
        step.minutes * worth["minute"] + step.weeks * worth["week"] + step.eggs * worth["egg"]
    )


def values_of_steps(
    candidate: Candidate,
    steps: Sequence[Step],
    card: dict[str, Any],
    crest: bool | None,
    photos: int = 0,
) -> list[StepValue]:
    """Every step that brings an observation with its worth, the best for its cost first.

    What a further look has in common with the `photos` there are is no news.
    """
    looks = tables()["looks"]
    news = {
        "photo": 1 - float(looks["of_the_reader"]),
        "blind": 1 - float(looks["of_the_moment"]),
        "parted": 1 - float(looks["of_the_bird"]),
        "wait": 1 - float(looks["of_the_bird"]),
    }
    together = joint(candidate, crest)
    combs = together.sum(0)
    better = costs()["better"]
    found = []
    for step in steps:
        if step.kind == "test":
            gain = gain_of_test(together, CHICKS, np.random.default_rng(0))
        elif step.kind == "blind":
            gain = gain_of_look(combs, observer_confusion())
        elif step.kind in ("photo", "parted", "wait"):
            gain = gain_of_look(combs, reader_given(card, float(better[step.kind])))
        else:
            continue
        gain *= news.get(step.kind, 1.0) if photos else 1.0
        found.append(StepValue(step, max(0.0, gain), price_of(step)))
    return sorted(found, key=lambda w: -w.per_cost)
