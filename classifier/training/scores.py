"""Scores of readings of labelled samples: what the model card reports."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from classifier.boxes import iou, shorter
from classifier.calibration import (
    Array,
    area_under_curve,
    balanced_accuracy,
    bootstrap,
    calibrated_error_limit,
    confusion,
    expected_calibration_error,
    reliability,
)
from classifier.outputs import coarse_chances
from classifier.reading import Reading
from classifier.training.datasets import Sample, wattle_share_drawn
from classifier.vocabulary import ALLOWED, COARSE, COMBS, NONE, PILES, coarse_of

GROUPS = tuple(COARSE)

# Doubts by which a folded comb is held back.
CREST_DOUBTS = ("crest_may_fold", "crest_hardly_folds")


def coarse(readings: Sequence[Reading]) -> Array:
    """Probabilities of the coarse combs (n, 4)."""
    return coarse_chances(np.array([r.comb for r in readings]))


Pairs = list[tuple[Sample, Reading]]
CONFIDENCES = ((0.0, 0.7), (0.7, 0.9), (0.9, 0.97), (0.97, 1.01))
SIZES = ((0.0, 30.0), (30.0, 40.0), (40.0, float("inf")))


def combed(samples: Sequence[Sample], readings: Sequence[Reading], least: float) -> Pairs:
    """Return samples with a known comb and `least` pixels or more, with their readings."""
    return [
        (s, r)
        for s, r in zip(samples, readings, strict=True)
        if s.label in ALLOWED and s.box and shorter(s.box) >= least
    ]


def comb_scores(
    samples: Sequence[Sample], readings: Sequence[Reading], least: float
) -> dict[str, Any]:
    """Scores of the coarse combs on heads of at least `least` pixels, with 95 % intervals.

    Intervals are by bootstrap over groups of near duplicates.
    """
    pairs = combed(samples, readings, least)
    seen = [r for _, r in pairs]
    groups = [s.group for s, _ in pairs]
    truth = [coarse_of(s.label) or "" for s, _ in pairs]
    p = coarse(seen)
    answer = [GROUPS[i] for i in p.argmax(1)]
    names, said = np.array(truth), np.array(answer)
    single, right = names == "single", names == said

    def balanced(at: Any, single_only: bool) -> float:
        t, a = names[at], said[at]
        if single_only:
            t, a = np.where(t == "single", t, "rest"), np.where(a == "single", a, "rest")
        return balanced_accuracy(t.tolist(), a.tolist())

    def told(value: float) -> float | None:
        return None if np.isnan(value) else round(value, 4)

    def interval(score_of: Any) -> list[float | None]:
        return [told(v) for v in bootstrap(groups, score_of)]

    odd = coarse_single_of_odd(samples, readings, least)
    with_odd = area_under_curve(
        np.concatenate([p[:, 0], odd]), np.concatenate([single, np.zeros(len(odd), bool)])
    )
    everyone = np.arange(len(pairs))
    return {
        "cases": len(pairs),
        "single_against_rest_auc": told(area_under_curve(p[:, 0], single)),
        "single_against_rest_auc_95": interval(lambda at: area_under_curve(p[at, 0], single[at])),
        "single_against_rest_and_none_of_these_auc": told(with_odd),
        "none_of_these_cases": len(odd),
        "single_against_rest_balanced_accuracy": told(balanced(everyone, True)),
        "single_against_rest_balanced_accuracy_95": interval(lambda at: balanced(at, True)),
        "coarse_balanced_accuracy": told(balanced(everyone, False)),
        "coarse_balanced_accuracy_95": interval(lambda at: balanced(at, False)),
        "coarse_recall": {
            g: [int(sum(right[i] for i, t in enumerate(truth) if t == g)), truth.count(g)]
            for g in GROUPS
        },
        "coarse_recall_95": {
            g: interval(
                lambda at, g=g: (
                    float(right[at][names[at] == g].mean())
                    if (names[at] == g).any()
                    else float("nan")
                )
            )
            for g in GROUPS
            if g in truth
        },
        "confusion": {"classes": list(GROUPS), "counts": confusion(truth, answer, GROUPS)},
        **sureness_scores(pairs, p.max(1), names, right),
    }


def read_as(seen: Sequence[Reading], sure: Array, right: Any) -> list[dict[str, Any]]:
    """Return, by coarse comb read, pile and confidence, how many readings there are and how many
    are wrong; what a second opinion compares a reading with.
    """
    told = coarse(seen).argmax(1)
    rows = []
    for i, group in enumerate(GROUPS):
        for pile in ("settled", "second_look"):
            for low, high in CONFIDENCES:
                mine = [
                    k
                    for k, r in enumerate(seen)
                    if told[k] == i and r.pile == pile and low <= sure[k] < high
                ]
                wrong = int(sum(not right[k] for k in mine))
                rows.append(
                    {
                        "comb": group,
                        "pile": pile,
                        "confidence": [low, min(high, 1.0)],
                        "count": len(mine),
                        "wrong": wrong,
                    }
                )
    return rows


def coarse_single_of_odd(
    samples: Sequence[Sample], readings: Sequence[Reading], least: float
) -> Array:
    """Return the chance of a single comb in heads whose comb is none of the six (k,)."""
    odd = [
        r
        for s, r in zip(samples, readings, strict=True)
        if s.label == NONE and s.box and shorter(s.box) >= least
    ]
    return coarse(odd)[:, 0] if odd else np.zeros(0)


def sureness_scores(
    pairs: Sequence[tuple[Sample, Reading]], sure: Array, names: Any, right: Any
) -> dict[str, Any]:
    """Return how far stated confidence holds: calibration, plausible sets, piles.

    `sure` (n,) is the confidence in the coarse comb, `names` (n,) the labelled ones, `right` (n,)
    whether they are the same.
    """
    seen = [r for _, r in pairs]
    covered = np.array([bool(set(r.plausible) & set(ALLOWED[s.label])) for s, r in pairs])
    settled = [i for i, r in enumerate(seen) if r.pile == "settled"]
    there = [g for g in GROUPS if (names == g).any()]
    return {
        "read_as": read_as(seen, sure, right),
        "ece": round(expected_calibration_error(sure, right.astype(float)), 4),
        "ece_95_percent_of_perfectly_calibrated_below": round(calibrated_error_limit(sure), 4),
        "reliability": reliability(sure, right.astype(float)),
        "plausible_coverage": round(float(covered.mean()), 4),
        "plausible_coverage_by_comb": {
            g: [int(covered[names == g].sum()), int((names == g).sum())] for g in there
        },
        "plausible_size": round(float(np.mean([len(r.plausible) for r in seen])), 3),
        "piles": {name: sum(r.pile == name for r in seen) for name in PILES},
        "settled_wrong": [int(sum(not right[i] for i in settled)), len(settled)],
        "coverage_curve": coverage_curve(np.array([r.confidence for r in seen]), right),
    }


def coverage_curve(confidence: Array, right: Array) -> list[dict[str, float]]:
    """Share of photos answered at each confidence and the share of those that are wrong."""
    order = np.argsort(-confidence, kind="stable")
    wrong = np.cumsum(1 - np.asarray(right, float)[order]) / np.arange(1, len(order) + 1)
    at = np.unique(np.linspace(0, len(order) - 1, 20).round().astype(int))
    return [
        {"answered": round((i + 1) / len(order), 4), "wrong": round(float(wrong[i]), 4)} for i in at
    ]


def by_size(samples: Sequence[Sample], readings: Sequence[Reading]) -> dict[str, Any]:
    """Coarse combs found, by the shorter side of the head."""
    found: dict[str, Any] = {}
    for low, high in SIZES:
        pairs = [
            (s, r) for s, r in combed(samples, readings, low) if s.box and shorter(s.box) < high
        ]
        name = f"from {low:.0f} px" if np.isinf(high) else f"{low:.0f} to {high:.0f} px"
        found[name] = {
            g: [
                sum(coarse_of(s.label) == g == coarse_of(r.best) for s, r in pairs),
                sum(coarse_of(s.label) == g for s, _ in pairs),
            ]
            for g in GROUPS
        }
    return found


def interval_of_share(hits: int, cases: int) -> list[float]:
    """Exact 95 % interval of a share (Clopper and Pearson 1934)."""
    from scipy.stats import binomtest

    found = binomtest(hits, cases).proportion_ci(0.95, "exact")
    return [round(float(found.low), 4), round(float(found.high), 4)]


def upper_bound(hits: int, cases: int) -> float:
    """One-sided 95 % upper bound of a share (Clopper and Pearson 1934)."""
    from scipy.stats import beta

    return 1.0 if hits >= cases else round(float(beta.ppf(0.95, hits + 1, cases - hits)), 4)


def settled_scores(samples: Sequence[Sample], readings: Sequence[Reading]) -> dict[str, Any]:
    """How many readings of known combs end as settled and how many of those are wrong.

    All head sizes, since the rules hold small ones back themselves.
    """
    pairs = combed(samples, readings, 0)
    settled = [(s, r) for s, r in pairs if r.pile == "settled"]
    wrong = [f"{coarse_of(s.label)} read as {coarse_of(r.best)}" for s, r in settled]
    wrong = [w for w in wrong if w.split(" read as ")[0] != w.split(" read as ")[1]]
    odd = [r for s, r in zip(samples, readings, strict=True) if s.label == NONE]
    return {
        "cases": len(pairs),
        "settled": len(settled),
        "share_settled": round(len(settled) / len(pairs), 4) if pairs else None,
        "wrong": len(wrong),
        "wrong_95_upper": upper_bound(len(wrong), len(settled)),
        "wrong_by_kind": {kind: wrong.count(kind) for kind in sorted(set(wrong))},
        "none_of_these_settled": [sum(r.pile == "settled" for r in odd), len(odd)],
    }


def crested_scores(samples: Sequence[Sample], readings: Sequence[Reading]) -> dict[str, Any]:
    """Return what becomes of crested heads, of which a single comb may be folded."""
    crested = [(s, r) for s, r in zip(samples, readings, strict=True) if s.crest == "yes" and s.box]
    single = [r for s, r in crested if coarse_of(s.label) == "single"]
    held = [r for _, r in crested if any(d.code in CREST_DOUBTS for d in r.doubts)]
    return {
        "cases": len(crested),
        "held_back_for_the_crest": len(held),
        "settled": sum(r.pile == "settled" for _, r in crested),
        "single_combed": len(single),
        "single_settled": sum(r.pile == "settled" for r in single),
        "single_settled_as_walnut": sum(r.pile == "settled" and r.best == "walnut" for r in single),
        "single_settled_as_another": sum(
            r.pile == "settled" and coarse_of(r.best) != "single" for r in single
        ),
    }


def doubtful_scores(samples: Sequence[Sample], readings: Sequence[Reading]) -> dict[str, Any]:
    """Photographs that two people couldn't agree on or read: how many are settled all the same."""
    pairs = [r for s, r in zip(samples, readings, strict=True) if s.label in ("unclear", "differ")]
    settled = sum(r.pile == "settled" for r in pairs)
    return {"cases": len(pairs), "settled": settled, "share": round(settled / len(pairs), 4)}


def end_to_end(
    samples: Sequence[Sample], given: Sequence[Reading], found: Sequence[Reading], least: float
) -> dict[str, Any]:
    """Return the same photographs read with given boxes and with heads found."""
    scores = [comb_scores(samples, r, least) for r in (given, found)]
    names = (
        "single_against_rest_auc",
        "single_against_rest_balanced_accuracy",
        "coarse_balanced_accuracy",
    )
    return {name: {"given": scores[0][name], "found": scores[1][name]} for name in names}


def side_scores(samples: Sequence[Sample], readings: Sequence[Reading]) -> dict[str, Any]:
    """None-of-these, readability, crest, beard and wattles."""
    pairs = list(zip(samples, readings, strict=True))

    def auc(chosen: list[tuple[float, bool]]) -> dict[str, Any]:
        score, positive = np.array([c[0] for c in chosen]), np.array([c[1] for c in chosen])
        value = area_under_curve(score, positive)
        return {
            "auc": None if np.isnan(value) else round(value, 4),
            "positive": int(positive.sum()),
            "cases": len(chosen),
        }

    labelled = [(s, r) for s, r in pairs if s.label in ALLOWED or s.label == NONE]
    sized = [
        (s, r) for s, r in pairs if s.wattles in ("small", "medium", "large") and r.wattles.size
    ]
    return {
        "none_of_these": auc([(r.none_of_these, s.label == NONE) for s, r in labelled]),
        "readable": auc(
            [(r.readable, s.label != "unclear") for s, r in pairs if s.label != "differ"]
        ),
        "crest": auc([(r.crest, s.crest == "yes") for s, r in pairs if s.crest]),
        "beard": auc([(r.beard, s.beard == "yes") for s, r in pairs if s.beard]),
        "wattles_right_where_told": [
            sum(s.wattles == r.wattles.size for s, r in sized),
            len(sized),
        ],
    }


def finder_scores(samples: Sequence[Sample], readings: Sequence[Reading]) -> dict[str, Any]:
    """How often the found box meets the labelled one, and false alarms on photos without a head.

    Boxes that people took over from a finder are left out.
    """
    boxed = [
        iou(list(r.head.box), list(s.box))
        for s, r in zip(samples, readings, strict=True)
        if s.box and s.own_box and r.head.source == "found"
    ]
    total = sum(s.box is not None and s.own_box for s in samples)
    empty = [r for s, r in zip(samples, readings, strict=True) if s.label == "no_head"]
    hits = sum(v > 0.5 for v in boxed)
    return {
        "usable_photos": total,
        "claimed": len(boxed),
        "iou_above_half": hits,
        "recall": round(hits / total, 4) if total else None,
        "recall_95": interval_of_share(hits, total) if total else None,
        "median_iou": round(float(np.median(boxed)), 4) if boxed else None,
        "photos_without_head": len(empty),
        "false_alarms": sum(r.head.source == "found" for r in empty),
    }


def six_scores(samples: Sequence[Sample], readings: Sequence[Reading]) -> dict[str, Any]:
    """Return the six combs apart, where the truth tells them apart (renders)."""
    pairs = [(s, r) for s, r in zip(samples, readings, strict=True) if s.label in COMBS]
    truth, answer = [s.label for s, _ in pairs], [r.best for _, r in pairs]
    p = np.array([max(r.comb) for _, r in pairs])
    right = np.array([t == a for t, a in zip(truth, answer, strict=True)], float)
    settled = [(s, r) for s, r in pairs if r.pile == "settled"]
    peas = [(s, r) for s, r in pairs if s.label.endswith("_pea")]
    folded = [r for s, r in pairs if s.label == "crest_folded_single"]
    held = [
        r.best == "crest_folded_single"
        or (r.pile == "second_look" and any(d.code in CREST_DOUBTS for d in r.doubts))
        for r in folded
    ]
    blade = [
        r.comb[COMBS.index("single_blade_pea")] > r.comb[COMBS.index("triple_pea")] for _, r in peas
    ]
    large = [(s, r) for s, r in pairs if s.box and shorter(s.box) >= 40]
    bare = [
        (s, r)
        for s, r in pairs
        if s.beard == "no" and s.wattles in ("small", "medium", "large") and r.wattles.size
    ]
    return {
        "cases": len(pairs),
        "balanced_accuracy": round(balanced_accuracy(truth, answer), 4),
        "balanced_accuracy_at_40_px": round(
            balanced_accuracy([s.label for s, _ in large], [r.best for _, r in large]),
            4,
        ),
        "confusion": {"classes": list(COMBS), "counts": confusion(truth, answer, COMBS)},
        "blade_against_triple_pea": round(
            balanced_accuracy(
                [s.label for s, _ in peas],
                ["single_blade_pea" if b else "triple_pea" for b in blade],
            ),
            4,
        ),
        "folded_read_so_or_held_back_for_the_crest": [sum(held), len(held)],
        "wattle_size_right_without_beard": [
            sum(s.wattles == r.wattles.size for s, r in bare),
            len(bare),
        ],
        "ece": round(expected_calibration_error(p, right), 4),
        "plausible_coverage": round(float(np.mean([s.label in r.plausible for s, r in pairs])), 4),
        "plausible_coverage_by_comb": {
            c: [sum(c in r.plausible for s, r in pairs if s.label == c), truth.count(c)]
            for c in COMBS
        },
        "wattle_share_in_its_interval": share_coverage(bare),
        "settled_wrong": [sum(s.label != r.best for s, r in settled), len(settled)],
    }


def share_coverage(pairs: Pairs) -> list[int]:
    """How many of the told intervals of the wattles' share hold the share of the mask."""
    told = [
        (r.wattles.share_90, drawn)
        for s, r in pairs
        if r.wattles.share_90 and (drawn := wattle_share_drawn(s)) is not None
    ]
    return [sum(low <= drawn <= high for (low, high), drawn in told), len(told)]
