"""What each choice in the training of the reader gives, by cross-validation within `train`.

    python -m classifier.training.ablations --pack PACK --out OUT [--jobs 10] [--only base ...]

The photographs of `check` are never looked at. The rule, written before the first run: the score
is the mean of five figures on heads of 40 pixels or more that the reader was not trained on,
calibrated within each variant: area under the curve of single against the rest, balanced accuracy
of single, rose and pea by people's boxes and the same by found boxes (a head that isn't found is
wrong), area under the curve of none-of-these, and balanced accuracy of the six combs on renders for
choice. Walnuts are too few among the photographs (3) to be counted there. A variant is taken over
if its score is above that of `base` by more than half of the standard error of the difference
(paired bootstrap by groups of photographs), and of two that exclude each other the higher.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from classifier.calibration import area_under_curve, balanced_accuracy, probabilities
from classifier.outputs import coarse_chances
from classifier.training.datasets import rows_of
from classifier.training.pipeline import Plan, calibrate_comb
from classifier.training.prediction_tables import logits_of
from classifier.training.reader import Settings
from classifier.training.runs import Run, perform
from classifier.vocabulary import ALLOWED, COARSE, COMBS, NONE, coarse_of

Array = NDArray[np.float64]
Row = dict[str, str]
LEAST = 40.0
JUDGED = ("single", "rose", "pea")
FIGURES = ("single_auc", "given", "found", "none_auc", "renders")
VARIANTS: dict[str, dict[str, Any]] = {
    "base": {},
    "second-seed": {"seed": 1},
    "given-boxes-alone": {"found": 0.0},
    "first-photographs": {"second_round": 0},
    "recoloured": {"recolour": 0.25},
    "less-rendered": {"rendered": 0.6},
}
# Taught by `base` and `second-seed` of the same fold, with what was taken over of the others.
PUPILS: dict[str, dict[str, Any]] = {
    "pupil": {},
    "pupil-unlabelled": {"unlabelled": 0.25},
}
TEACHERS = ("base", "second-seed")


@dataclass(frozen=True)
class Held:
    """Predictions of one variant on what its folds held out."""

    given: list[Row]
    found: dict[str, Row]
    """By row of the pack."""
    rendered: list[Row]
    temperature: float
    offsets: Array
    """Of the comb logits, fitted on `given`."""

    @classmethod
    def of(cls, place: Path, folds: int) -> Held:
        """Read the tables of a variant's folds."""
        rows = [r for k in range(folds) for r in rows_of(place / str(k) / "held_out.csv")]
        found = [r for k in range(folds) for r in rows_of(place / str(k) / "found.csv")]
        large = [r for r in rows if r["source"] == "photo" and float(r["pixels"]) >= LEAST]
        return cls(
            large,
            {r["row"]: r for r in found},
            [r for r in rows if r["source"] == "render" and r["label"] in COMBS],
            *calibrate_comb(large),
        )


def figures(held: Held, chosen: Sequence[int] | None = None) -> dict[str, float]:
    """Return the figures of a variant, on all of `held.given` or on those chosen."""
    names = list(COARSE)

    def combs(rows: Sequence[Row]) -> Array:
        return probabilities(logits_of(rows, "comb"), held.temperature, held.offsets)

    rows = held.given if chosen is None else [held.given[i] for i in chosen]
    known = [r for r in rows if coarse_of(r["label"]) in JUDGED]
    truth = [str(coarse_of(r["label"])) for r in known]
    p = coarse_chances(combs(known))
    met = [r for r in known if r["row"] in held.found]
    q = coarse_chances(combs([held.found[r["row"]] for r in met]))
    told = {r["row"]: names[i] for r, i in zip(met, q.argmax(1), strict=True)}
    by_found = [told.get(r["row"], "") for r in known]
    none = [r for r in rows if r["label"] in ALLOWED or r["label"] == NONE]
    six = combs(held.rendered).argmax(1)
    return {
        "single_auc": area_under_curve(p[:, 0], np.array(truth) == "single"),
        "given": balanced_accuracy(truth, [names[i] for i in p.argmax(1)]),
        "found": balanced_accuracy(truth, by_found),
        "none_auc": area_under_curve(
            logits_of(none, "none")[:, 0], np.array([r["label"] == NONE for r in none])
        ),
        "renders": balanced_accuracy([r["label"] for r in held.rendered], [COMBS[i] for i in six]),
    }


def score(held: Held, chosen: Sequence[int] | None = None) -> float:
    """Return the mean of the five figures."""
    return float(np.mean([figures(held, chosen)[name] for name in FIGURES]))


def gain(held: Held, base: Held, times: int = 60) -> tuple[float, float]:
    """How much higher a variant scores than `base`, and the standard error of that."""
    groups = np.unique([r["group"] for r in base.given], return_inverse=True)[1]
    members = [np.flatnonzero(groups == g) for g in range(groups.max() + 1)]
    place = {r["row"]: i for i, r in enumerate(held.given)}
    rng = np.random.default_rng(0)
    differences = []
    for _ in range(times):
        drawn = np.concatenate([members[g] for g in rng.integers(0, len(members), len(members))])
        same = [place[base.given[i]["row"]] for i in drawn]
        differences.append(score(held, same) - score(base, drawn.tolist()))
    return score(held) - score(base), float(np.std(differences))


def taken_over(table: dict[str, dict[str, float]]) -> dict[str, Any]:
    """Return the settings of all variants that the rule takes over."""
    found: dict[str, Any] = {}
    for name, values in table.items():
        if name not in TEACHERS and values["gain"] > values["error"] / 2:
            found |= (VARIANTS | PUPILS)[name]
    return found


def variant_runs(plan: Plan, settings: Settings, names: Sequence[str], root: Path) -> list[Run]:
    """Return the runs of some variants, all folds; two steps for three of the kept reader."""
    short = replace(settings, steps=plan.short(2, 3))
    return [
        Run(root / name / str(fold), replace(short, fold=fold, **VARIANTS[name]))
        for name in names
        for fold in range(plan.base.folds)
    ]


def pupil_runs(
    plan: Plan, settings: Settings, names: Sequence[str], root: Path, chosen: dict[str, Any]
) -> list[Run]:
    """Return the runs of some pupils, all folds."""
    runs = []
    for name in names:
        for fold in range(plan.base.folds):
            teachers = ",".join(str(root / t / str(fold) / "reader.st") for t in TEACHERS)
            mine = replace(settings, fold=fold, steps=plan.steps, seed=10, teachers=teachers)
            runs.append(Run(root / name / str(fold), replace(mine, **chosen, **PUPILS[name])))
    return runs


def main() -> None:
    """Train all variants asked for and print their figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--pack", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True, help="of `combwright train`")
    parser.add_argument("--steps", type=int, default=3000, help="of the reader that is kept")
    parser.add_argument("--batch", type=int, default=96)
    parser.add_argument("--folds", type=int, default=5)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[*VARIANTS, *PUPILS])
    args = parser.parse_args()
    plan = Plan(args.out, Settings(batch=args.batch, folds=args.folds), args.steps, 0)
    perform([r for r in plan.finders() if r.settings.fold >= 0], args.pack, args.jobs)
    settings, root = plan.read_errors(args.pack), args.out / "ablations"
    first = [name for name in VARIANTS if name in args.only]
    perform(variant_runs(plan, settings, first, root), args.pack, args.jobs)
    table = compare(root, first, args.folds)
    chosen = taken_over(table)
    second = [name for name in PUPILS if name in args.only]
    perform(pupil_runs(plan, settings, second, root, chosen), args.pack, args.jobs)
    for name in second:  # the heads people differ on are weighed beside the pupil without them
        table |= compare(root, [name], args.folds, "base" if name == "pupil" else "pupil")
    found = {"taken_over": taken_over(table), "variants": table}
    (root / "ablations.json").write_text(json.dumps(found, indent=1), encoding="utf-8")
    print(json.dumps(found, indent=1))


def compare(
    root: Path, names: Sequence[str], folds: int, beside: str = "base"
) -> dict[str, dict[str, float]]:
    """Figures of each variant, and its gain over `beside` with the standard error."""
    base, table = Held.of(root / beside, folds), {}
    for name in names:
        held = Held.of(root / name, folds)
        more, error = gain(held, base) if name != beside else (0.0, 0.0)
        told = {**figures(held), "score": score(held), "gain": more, "error": error}
        table[name] = {key: round(value, 4) for key, value in told.items()}
    return table


if __name__ == "__main__":
    main()
