"""Whether what was learned is better: a paired test on birds that it wasn't learned from.

The rule was written down before anything was looked at. A change is better if all of these hold:

- enough birds: at least LEAST_BIRDS, of two coarse combs or more with LEAST_OF_A_COMB birds each;
- on birds of the flock that were held out, in turn, the change says more of their combs than the
  shipped reader does: mean over birds of the difference in the logarithm of the true coarse comb's
  chance, with a sign-flip test (Fisher 1935, from memory) at LEVEL;
- it says more of them, tested likewise, than who knows nothing but how frequent the combs are among
  them: where what is on record has nothing to do with the photos, a reader that is less sure does
  better than a surer one, and yet there is nothing to learn;
- their balanced accuracy isn't lower;
- no comb of the flock loses more than a tenth of its birds, or one bird if that is more;
- on the bank's watched heads, none of which was learned from, the recall of no comb that the flock
  doesn't have (LEAST_OF_A_COMB birds of it) falls by more than MOST_LOST. Of those that it has the
  flock's own held-out birds tell; what became of them among the watched heads is shown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax
from threadpoolctl import threadpool_limits

from classifier.adaptation.bank import Bank
from classifier.adaptation.change import Change
from classifier.adaptation.last_layer import (
    Cases,
    Ints,
    best_strength,
    coarse_scores,
    fit,
    fitting_temperature,
    folds_of,
    not_forgetting,
)
from classifier.calibration import balanced_accuracy, reliability
from classifier.messages import Doubt
from classifier.outputs import coarse_chances
from classifier.vocabulary import COARSE, coarse_of

Array = NDArray[np.float64]
LEAST_BIRDS, LEAST_OF_A_COMB = 20, 4
LEVEL, FLIPS = 0.025, 20_000
MOST_LOST = 0.02
FOLDS = 5


@dataclass(frozen=True, eq=False)
class Trial:
    """What was learned, how it did on what it wasn't learned from, and what speaks against it."""

    change: Change
    strength: float
    against: tuple[Doubt, ...]
    """Reasons not to take it; empty if it is better."""
    report: dict[str, Any]

    @property
    def better(self) -> bool:
        """Whether it may be taken."""
        return not self.against


def enough(coarse: Sequence[str], birds: Sequence[str]) -> bool:
    """Whether birds are enough to learn from."""
    members = {
        comb: {b for c, b in zip(coarse, birds, strict=True) if c == comb} for comb in coarse
    }
    known = [comb for comb, some in members.items() if len(some) >= LEAST_OF_A_COMB]
    return len(set(birds)) >= LEAST_BIRDS and len(known) >= 2


def run(
    cases: Cases,
    bank: Bank,
    told: Callable[[int, int], None] = lambda *_: None,
    others: Cases | None = None,
) -> Trial:
    """Learn from cases and try it; the same cases give the same trial.

    `others` are heads of other flocks: learned from as well, never judged by.

    `told` is called with steps done and steps in all; what it raises breaks the trial off. Raises
    ValueError if there are too few cases to hold any out.
    """
    held = folds_of(cases.groups, cases.coarse, FOLDS)
    if len(held) < 2:
        raise ValueError("one group can't be held out from itself")
    # The matrices are small: sharing them among cores takes longer than they do, up to fifty times
    # where other work keeps the cores busy.
    with threadpool_limits(1, "blas"):
        return tried(cases, bank, held, told, others)


def tried(
    cases: Cases,
    bank: Bank,
    held: Sequence[Ints],
    told: Callable[[int, int], None],
    others: Cases | None,
) -> Trial:
    """Learn from all cases, and from all but each of the folds that are held out."""
    steps = len(held) + 2
    rehearsed = bank.part(guard=False)
    kept = np.zeros((len(cases.labels), cases.logits.shape[2]))
    for done, some in enumerate(held):
        told(done, steps)
        left = cases.of(np.setdiff1d(np.arange(len(cases.labels)), some))
        change = learned(left, rehearsed, best_strength(left, rehearsed, others), others)
        seen = cases.of(some)
        kept[some] = change.logits(seen.directions[:, 0], seen.logits[:, 0])
    told(len(held), steps)
    strength = best_strength(cases, rehearsed, others)
    told(len(held) + 1, steps)
    final = learned(cases, rehearsed, strength, others)
    temperature = fitting_temperature(kept, cases.coarse, cases.weights())
    final = Change(final.matrix, final.offsets, temperature)
    told(steps, steps)
    return judged(cases, bank.part(guard=True), kept, final, strength)


def learned(cases: Cases, rehearsed: Bank, strength: float, others: Cases | None) -> Change:
    """Return what is learned from cases."""
    coarse = [*cases.coarse, *(others.coarse if others else ())]
    return not_forgetting(fit(cases, rehearsed, strength, others), coarse, rehearsed)


def judged(cases: Cases, guard: Bank, kept: Array, change: Change, strength: float) -> Trial:
    """Return a trial from what was said of held-out heads (n, 6), before their recalibration."""
    was = cases.logits[:, 0]
    coarse = cases.coarse
    gain = by_bird(coarse_scores(kept, coarse) - coarse_scores(was, coarse), cases.birds)
    chance = sign_flips(gain)
    unlinked = sign_flips(by_bird(over_frequencies(kept, coarse), cases.birds))
    before, after = answers(was), answers(kept)
    truth = [str(coarse_of(label)) for label in guard.labels]
    watched = answers(guard.logits), answers(change.logits(guard.directions, guard.logits))
    own, others = recalls(coarse, (before, after)), recalls(truth, watched)
    balanced = [balanced_accuracy(coarse, said) for said in (before, after)]
    report = {
        "birds": len(set(cases.birds)),
        "photos": len(coarse),
        "birds_by_comb": {
            comb: len({b for c, b in zip(coarse, cases.birds, strict=True) if c == comb})
            for comb in COARSE
            if comb in coarse
        },
        "groups": len(set(cases.groups)),
        "strength": strength,
        "temperature": round(change.temperature, 4),
        "gain": round(float(gain.mean()), 4),
        "chance": round(chance, 5),
        "unlinked": round(unlinked, 5),
        "balanced_accuracy": [round(v, 4) for v in balanced],
        "found": own,
        "watched": others,
        "reliability": [
            confidence_and_truth(logits, coarse) for logits in (was, kept / change.temperature)
        ],
    }
    return Trial(change, strength, tuple(objections(report, cases)), report)


def over_frequencies(logits: Array, coarse: Sequence[str]) -> Array:
    """Return the true combs' log chances (n,), less those of who knows frequencies alone."""
    names, counts = np.unique(np.array(coarse), return_counts=True)
    alone = dict(zip(names.tolist(), np.log(counts / counts.sum()).tolist(), strict=True))
    return coarse_scores(logits, coarse) - np.array([alone[comb] for comb in coarse])


def objections(report: dict[str, Any], cases: Cases) -> list[Doubt]:
    """Return what speaks against a change, by the rule at the top."""
    found: list[Doubt] = []
    if not enough(cases.coarse, cases.birds):
        found.append(Doubt("learned_too_few", birds=report["birds"], least=LEAST_BIRDS))
    if report["gain"] <= 0 or report["chance"] > LEVEL:
        found.append(Doubt("learned_not_better", chance=report["chance"]))
    if report["unlinked"] > LEVEL:
        found.append(Doubt("learned_no_link", chance=report["unlinked"]))
    before, after = report["balanced_accuracy"]
    if after < before:
        found.append(Doubt("learned_less_right", before=before, after=after))
    for comb, (was, now, count) in report["found"].items():
        if was - now > max(1, count // 10):
            found.append(Doubt("learned_harms", comb=comb, before=was, after=now))
    for comb, (was, now, count) in report["watched"].items():
        absent = report["birds_by_comb"].get(comb, 0) < LEAST_OF_A_COMB
        if absent and (was - now) / count > MOST_LOST:
            lost = round((was - now) / count, 4)
            found.append(Doubt("learned_forgets", comb=comb, lost=lost))
    return found


def by_bird(values: Array, birds: Sequence[str]) -> Array:
    """Return means by bird, in the order of their names."""
    names, place = np.unique(np.array(birds), return_inverse=True)
    return np.asarray(np.bincount(place, values) / np.bincount(place, minlength=len(names)))


def sign_flips(gain: Array) -> float:
    """Chance of a mean as high as that of gains (n,) if each had either sign alike (one-sided)."""
    signs = np.random.default_rng(0).choice([-1.0, 1.0], (FLIPS, len(gain)))
    as_high = (signs @ gain >= gain.sum() - 1e-12).sum()
    return float((as_high + 1) / (FLIPS + 1))


def answers(logits: Array) -> list[str]:
    """Return the likeliest coarse comb by logits (n, 6)."""
    names = list(COARSE)
    return [names[i] for i in coarse_chances(softmax(logits, axis=1)).argmax(1)]


def recalls(truth: Sequence[str], both: tuple[list[str], list[str]]) -> dict[str, list[int]]:
    """Return how many of each comb were found before and after, of how many."""
    found = {}
    for comb in COARSE:
        mine = [i for i, t in enumerate(truth) if t == comb]
        if mine:
            found[comb] = [*(sum(said[i] == comb for i in mine) for said in both), len(mine)]
    return found


def confidence_and_truth(logits: Array, coarse: Sequence[str]) -> list[dict[str, float]]:
    """Rows of a reliability diagram of the likeliest coarse comb, in five bins."""
    chances = coarse_chances(softmax(logits, axis=1))
    right = np.array([a == b for a, b in zip(answers(logits), coarse, strict=True)], float)
    return reliability(chances.max(1), right, bins=5)
