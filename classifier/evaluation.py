"""Scores of the shipped reader on photographs and renders that it never saw."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from classifier.calibration import (
    Array,
    area_under_curve,
    balanced_accuracy,
    bootstrap,
    confusion,
    expected_calibration_error,
    reliability,
)
from classifier.card import CARD, SHIPPED
from classifier.datasets import Sample, held_out, photographs, renders, shorter
from classifier.finder_training import iou
from classifier.photo import open_photo
from classifier.reader import Reader
from classifier.reading import Reading
from classifier.words import ALLOWED, COARSE, COMBS, NONE, PILES, coarse_of

GROUPS = tuple(COARSE)


def read_samples(
    reader: Reader, samples: Sequence[Sample], given: bool, tick: Any
) -> list[Reading]:
    """Readings of samples, with their boxes or with heads found."""
    readings: list[Reading] = []
    for start in range(0, len(samples), 32):
        part = samples[start : start + 32]
        photos = [open_photo(s.path) for s in part]
        readings += reader.read(photos, [s.box if given else None for s in part])
        tick(len(part))
    return readings


def coarse(readings: Sequence[Reading]) -> Array:
    """Probabilities of the coarse combs (n, 4)."""
    p = np.array([r.comb for r in readings])
    return np.stack([p[:, [COMBS.index(c) for c in COARSE[g]]].sum(1) for g in GROUPS], 1)


def comb_scores(
    samples: Sequence[Sample], readings: Sequence[Reading], least: float
) -> dict[str, Any]:
    """Scores of the coarse combs on given boxes of at least `least` pixels."""
    pairs = [
        (s, r)
        for s, r in zip(samples, readings, strict=True)
        if s.label in ALLOWED and s.box and shorter(s.box) >= least
    ]
    kept, seen = [s for s, _ in pairs], [r for _, r in pairs]
    truth = [coarse_of(s.label) or "" for s in kept]
    p = coarse(seen)
    answer = [GROUPS[i] for i in p.argmax(1)]
    single = np.array([t == "single" for t in truth])
    right = np.array([t == a for t, a in zip(truth, answer, strict=True)])
    covered = [bool(set(r.plausible) & set(ALLOWED[s.label])) for s, r in pairs]
    settled = [i for i, r in enumerate(seen) if r.pile == "settled"]
    low, high = bootstrap(p[:, 0], single)
    others = [
        (s, r)
        for s, r in zip(samples, readings, strict=True)
        if s.label == NONE and s.box and shorter(s.box) >= least
    ]
    odd = coarse([r for _, r in others])[:, 0] if others else np.zeros(0)
    with_odd = area_under_curve(
        np.concatenate([p[:, 0], odd]), np.concatenate([single, np.zeros(len(odd), bool)])
    )
    return {
        "cases": len(pairs),
        "single_against_rest_auc": round(area_under_curve(p[:, 0], single), 4),
        "single_against_rest_auc_95": [round(low, 4), round(high, 4)],
        "single_against_rest_and_none_of_these_auc": round(with_odd, 4),
        "none_of_these_cases": len(others),
        "single_against_rest_balanced_accuracy": round(
            balanced_accuracy([str(v) for v in single], [str(a == "single") for a in answer]),
            4,
        ),
        "coarse_balanced_accuracy": round(balanced_accuracy(truth, answer), 4),
        "coarse_recall": {
            g: [int(sum(right[i] for i, t in enumerate(truth) if t == g)), truth.count(g)]
            for g in GROUPS
        },
        "confusion": {"classes": list(GROUPS), "counts": confusion(truth, answer, GROUPS)},
        "ece": round(expected_calibration_error(p.max(1), right.astype(float)), 4),
        "reliability": reliability(p.max(1), right.astype(float)),
        "plausible_coverage": round(float(np.mean(covered)), 4),
        "plausible_size": round(float(np.mean([len(r.plausible) for r in seen])), 3),
        "piles": {name: sum(r.pile == name for r in seen) for name in PILES},
        "settled_wrong": [int(sum(not right[i] for i in settled)), len(settled)],
    }


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
    """How often the found box meets the labelled one, and false alarms on photos without a head."""
    boxed = [
        iou(list(r.head.box), list(s.box))
        for s, r in zip(samples, readings, strict=True)
        if s.box and r.head.source == "found"
    ]
    total = sum(s.box is not None for s in samples)
    empty = [r for s, r in zip(samples, readings, strict=True) if s.label == "no_head"]
    hits = sum(v > 0.5 for v in boxed)
    return {
        "usable_photos": total,
        "claimed": len(boxed),
        "iou_above_half": hits,
        "recall": round(hits / total, 4) if total else None,
        "median_iou": round(float(np.median(boxed)), 4) if boxed else None,
        "photos_without_head": len(empty),
        "false_alarms": sum(r.head.source == "found" for r in empty),
    }


def six_scores(samples: Sequence[Sample], readings: Sequence[Reading]) -> dict[str, Any]:
    """The six combs apart, where the truth tells them apart (renders)."""
    pairs = [(s, r) for s, r in zip(samples, readings, strict=True) if s.label in COMBS]
    truth, answer = [s.label for s, _ in pairs], [r.best for _, r in pairs]
    p = np.array([max(r.comb) for _, r in pairs])
    right = np.array([t == a for t, a in zip(truth, answer, strict=True)], float)
    settled = [(s, r) for s, r in pairs if r.pile == "settled"]
    return {
        "cases": len(pairs),
        "balanced_accuracy": round(balanced_accuracy(truth, answer), 4),
        "confusion": {"classes": list(COMBS), "counts": confusion(truth, answer, COMBS)},
        "ece": round(expected_calibration_error(p, right), 4),
        "plausible_coverage": round(float(np.mean([s.label in r.plausible for s, r in pairs])), 4),
        "settled_wrong": [sum(s.label != r.best for s, r in settled), len(settled)],
    }


def evaluate_all(
    photos: Path,
    rendered: Path | None,
    out: Path,
    weights: Path | None,
    into_card: bool,
    progress: Any,
) -> dict[str, Any]:
    """Scores on the split `check` and on renders kept from training; written to `out`."""
    folder = weights or SHIPPED
    reader = Reader(folder)
    out.mkdir(parents=True, exist_ok=True)
    check = photographs(photos, "check")
    boxed = [s for s in check if s.box]
    kept = [s for s in renders(rendered) if held_out(s)] if rendered else []
    total = len(check) + len(boxed) + 2 * len(kept)
    task = progress.add_task("reading", total=total)

    def tick(count: int) -> None:
        progress.advance(task, count)

    given = read_samples(reader, boxed, True, tick)
    scores: dict[str, Any] = {
        "photographs, split check, given boxes of 40 px or more": comb_scores(boxed, given, 40),
        "photographs, split check, all given boxes": comb_scores(boxed, given, 0),
        "photographs, split check, other heads": side_scores(boxed, given),
        "photographs, split check, head finder": finder_scores(
            check, read_samples(reader, check, False, tick)
        ),
    }
    if kept:
        seen = read_samples(reader, kept, True, tick)
        scores["renders kept from training, given boxes"] = six_scores(kept, seen)
        scores["renders kept from training, other heads"] = side_scores(kept, seen)
        scores["renders kept from training, head finder"] = finder_scores(
            kept, read_samples(reader, kept, False, tick)
        )
    (out / "scores.json").write_text(json.dumps(scores, indent=1) + "\n", encoding="utf-8")
    plots(scores, out)
    if into_card:
        card = reader.card.document | {"scores": scores}
        (folder / CARD).write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    return scores


def plots(scores: dict[str, Any], out: Path) -> None:
    """Confusion matrices and a reliability diagram as PNG."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    for name, values in scores.items():
        if "confusion" not in values:
            continue
        names, counts = values["confusion"]["classes"], np.array(values["confusion"]["counts"])
        figure, axes = plt.subplots(figsize=(5.5, 5), layout="constrained")
        share = counts / np.maximum(counts.sum(1, keepdims=True), 1)
        axes.imshow(share, cmap="Greys", vmin=0, vmax=1)
        labels = [n.replace("_", "\n") for n in names]
        axes.set_xticks(range(len(names)), labels, fontsize=8)
        axes.set_yticks(range(len(names)), labels, fontsize=8)
        axes.set_xlabel("read as")
        axes.set_ylabel("labelled")
        axes.set_title(name, fontsize=9)
        for i, row in enumerate(counts):
            for j, count in enumerate(row):
                axes.text(
                    j,
                    i,
                    str(count),
                    ha="center",
                    va="center",
                    color="white" if share[i, j] > 0.5 else "black",
                )
        slug = name.replace(",", "").replace(" ", "-")
        figure.savefig(out / f"confusion-{slug}.png", dpi=110)
        plt.close(figure)
    figure, axes = plt.subplots(figsize=(5, 5), layout="constrained")
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=1)
    for name, values in scores.items():
        if "reliability" in values:
            rows = values["reliability"]
            axes.plot(
                [r["confidence"] for r in rows], [r["accuracy"] for r in rows], "o-", label=name
            )
    axes.set_xlabel("confidence")
    axes.set_ylabel("share correct")
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1.02)
    axes.legend(fontsize=7)
    figure.savefig(out / "reliability.png", dpi=110)
    plt.close(figure)
