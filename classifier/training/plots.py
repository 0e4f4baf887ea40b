"""Plots of an evaluation: confusion, reliability, what is settled at what error, worst errors."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw

from classifier.photo import head_view, open_photo
from classifier.reading import Reading
from classifier.training.datasets import Sample
from classifier.vocabulary import ALLOWED, SPOKEN, coarse_of


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
    coverage(scores, out)


def coverage(scores: dict[str, Any], out: Path) -> None:
    """How many photos are answered at what error, the surest first."""
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(figsize=(5, 4), layout="constrained")
    for name, values in scores.items():
        if "coverage_curve" in values:
            rows = values["coverage_curve"]
            axes.plot([r["answered"] for r in rows], [r["wrong"] for r in rows], "o-", label=name)
    axes.set_xlabel("share of photos answered, the surest first")
    axes.set_ylabel("share of them wrong")
    axes.set_ylim(0, None)
    axes.legend(fontsize=7)
    figure.savefig(out / "coverage.png", dpi=110)
    plt.close(figure)


def worst_errors(
    samples: Sequence[Sample], readings: Sequence[Reading], path: Path, most: int = 24
) -> None:
    """Draw a contact sheet of the surest wrong readings. Holds photographs: not ours to publish."""
    wrong = [
        (s, r)
        for s, r in zip(samples, readings, strict=True)
        if s.label in ALLOWED and s.box and coarse_of(s.label) != coarse_of(r.best)
    ]
    wrong.sort(key=lambda pair: -max(pair[1].comb))
    side, columns = 150, 6
    rows = max(1, -(-min(len(wrong), most) // columns))
    sheet = Image.new("RGB", (columns * side, rows * (side + 30)), "white")
    pen = ImageDraw.Draw(sheet)
    for i, (sample, reading) in enumerate(wrong[:most]):
        assert sample.box is not None
        x, y = i % columns * side, i // columns * (side + 30)
        sheet.paste(head_view(open_photo(sample.path), sample.box, 1.25, side), (x, y))
        label = sample.label.replace("_", " ")
        pen.text((x + 3, y + side + 2), f"labelled {label}", fill="black")
        answer = f"read {SPOKEN[reading.best]} {max(reading.comb):.0%}"
        pen.text((x + 3, y + side + 15), answer, fill="black")
    sheet.save(path, quality=85)
