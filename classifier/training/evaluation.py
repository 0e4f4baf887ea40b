"""Scores of the shipped reader on photographs and renders that it never saw."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from classifier.card import CARD, SHIPPED
from classifier.photo import open_photo
from classifier.reader import Reader
from classifier.reading import Reading
from classifier.training.datasets import Sample, part_of, photographs, renders
from classifier.training.pairs import RULE, pair_scores
from classifier.training.plots import plots, worst_errors
from classifier.training.robustness import CHANGES, robustness
from classifier.training.scores import (
    by_size,
    comb_scores,
    crested_scores,
    doubtful_scores,
    end_to_end,
    finder_scores,
    settled_scores,
    side_scores,
    six_scores,
)


def read_samples(
    reader: Reader, samples: Sequence[Sample], given: bool, tick: Any
) -> list[Reading]:
    """Return readings of samples, with their boxes or with heads found."""
    readings: list[Reading] = []
    for start in range(0, len(samples), 32):
        part = samples[start : start + 32]
        photos = [open_photo(s.path) for s in part]
        readings += reader.read(photos, [s.box if given else None for s in part])
        tick(len(part))
    return readings


def whole_photo_scores(boxed: Sequence[Sample], found: Sequence[Reading]) -> dict[str, Any]:
    """Scores of photographs whose heads the finder finds by itself."""
    name = "photographs, split check, whole photos"
    return {
        f"{name} of 40 px or more": comb_scores(boxed, found, 40),
        f"{name}, settled": settled_scores(boxed, found),
        f"{name}, unclear or disagreed on": doubtful_scores(boxed, found),
        f"{name}, crested": crested_scores(boxed, found),
    }


def special_scores(reader: Reader, crests: Path | None, shots: Path | None) -> dict[str, Any]:
    """Scores on renders made for one question: unseen crests, several photos of a bird."""
    scores: dict[str, Any] = {}

    def tick(count: int) -> None:
        """Tell nobody: these are few."""

    if crests:
        samples = renders(crests)
        name = "renders of single combs under crests never used in training, whole photos"
        scores[name] = crested_scores(samples, read_samples(reader, samples, False, tick))
    if shots:
        samples = renders(shots)
        seen = read_samples(reader, samples, True, tick)
        scores["renders, several photos of a bird"] = {"rule": RULE, **pair_scores(samples, seen)}
    return scores


def evaluate_all(
    photos: Path,
    rendered: Path | None,
    out: Path,
    weights: Path | None,
    into_card: bool,
    progress: Any,
    crests: Path | None = None,
    shots: Path | None = None,
) -> dict[str, Any]:
    """Scores on the split `check` and on renders kept from training; written to `out`.

    `crests` and `shots` are folders that `heads --crests` and `heads --shots 3` wrote.
    """
    folder = weights or SHIPPED
    reader = Reader(folder)
    out.mkdir(parents=True, exist_ok=True)
    check = photographs(photos, "check")
    boxed = [s for s in check if s.box]
    kept = [s for s in renders(rendered) if part_of(s) == "test"] if rendered else []
    total = len(check) + (1 + len(CHANGES)) * len(boxed) + 2 * len(kept)
    task = progress.add_task("reading", total=total)

    def tick(count: int) -> None:
        progress.advance(task, count)

    given = read_samples(reader, boxed, True, tick)
    scores: dict[str, Any] = {
        "photographs, split check, given boxes of 40 px or more": comb_scores(boxed, given, 40),
        "photographs, split check, all given boxes": comb_scores(boxed, given, 0),
        "photographs, split check, combs found by size of the head": by_size(boxed, given),
        "photographs, split check, settled": settled_scores(boxed, given),
        "photographs, split check, unclear or disagreed on": doubtful_scores(boxed, given),
        "photographs, split check, crested": crested_scores(boxed, given),
        "photographs, split check, other heads": side_scores(boxed, given),
    }
    found = read_samples(reader, check, False, tick)
    mine = [r for s, r in zip(check, found, strict=True) if s.box]
    scores |= whole_photo_scores(boxed, mine)
    scores["photographs, split check, head finder"] = finder_scores(check, found)
    scores["photographs, split check, box given and found, 40 px or more"] = end_to_end(
        boxed, given, mine, 40
    )
    scores["photographs, split check, robustness of settled readings"] = robustness(
        reader, boxed, given, tick
    )
    if kept:
        seen = read_samples(reader, kept, True, tick)
        scores["renders kept from training, given boxes"] = six_scores(kept, seen)
        scores["renders kept from training, other heads"] = side_scores(kept, seen)
        scores["renders kept from training, head finder"] = finder_scores(
            kept, read_samples(reader, kept, False, tick)
        )
    scores |= special_scores(reader, crests, shots)
    (out / "scores.json").write_text(json.dumps(scores, indent=1) + "\n", encoding="utf-8")
    plots(scores, out)
    worst_errors(boxed, given, out / "worst-errors.jpg")
    if into_card:
        card = reader.card.document | {"scores": scores}
        (folder / CARD).write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    return scores
