"""The plots of the documentation, drawn from the model's card and from the genetics itself."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from classifier.card import load_card

PHOTOGRAPHS = "photographs, split check, given boxes of 40 px or more"
INK, WARM, PALE = "#1f4d5c", "#b3541e", "#c9c2b4"
# An invented chick of two F1 birds: what is known of it grows from one list to the next.
PARENTS = "bird,sire,dam,sex,hatched,comb,comb_by,crest,beard,wattles,genotype\n" + "\n".join(
    (
        "cock,,,cock,2024-03-01,,,no,no,,R/r+ P/p+",
        "hen,,,hen,2024-03-01,,,no,no,,R/r+ P/p+",
        "tester,,,hen,2024-03-01,,,no,no,,r+/r+ p+/p+",
    )
)
KNOWN = (
    ("its parents", "chick,cock,hen,cock,2025-03-01,,,no,no,,"),
    ("read as walnut", "chick,cock,hen,cock,2025-03-01,walnut,Ada,no,no,,"),
    ("small wattles,\nno beard", "chick,cock,hen,cock,2025-03-01,walnut,Ada,no,no,small,"),
)
CHICKS = 5  # of the test mating, all walnut


def new_axes(width: float = 5.2, height: float = 3.6) -> tuple[Figure, Axes]:
    """Return a figure with one pair of axes, without a frame above and at the right."""
    figure = Figure(figsize=(width, height), layout="constrained")
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def reliability() -> Figure:
    """Draw stated chances against the share that was right, on photographs nothing was tuned on."""
    rows = load_card().document["scores"][PHOTOGRAPHS]["reliability"]
    figure, axes = new_axes(4.2, 4.2)
    axes.plot([0, 1], [0, 1], color=PALE, linewidth=1, linestyle="--")
    sizes = [12 + 2 * r["count"] for r in rows]
    stated, right = [r["confidence"] for r in rows], [r["accuracy"] for r in rows]
    axes.scatter(stated, right, s=sizes, color=WARM, alpha=0.75)
    axes.set(xlim=(0, 1.03), ylim=(0, 1.05), xlabel="stated chance of the comb")
    axes.set_ylabel("share right")
    return figure


def confusion() -> Figure:
    """Draw what combs were read as, in numbers of photographs."""
    table = load_card().document["scores"][PHOTOGRAPHS]["confusion"]
    counts, names = np.array(table["counts"]), table["classes"]
    figure, axes = new_axes(4.4, 3.8)
    axes.imshow(counts / counts.sum(1, keepdims=True), cmap="Oranges", vmin=0, vmax=1.4)
    for (row, column), count in np.ndenumerate(counts):
        axes.text(column, row, str(count), ha="center", va="center")
    axes.set_xticks(range(len(names)), names)
    axes.set_yticks(range(len(names)), names)
    axes.set(xlabel="read as", ylabel="by people")
    return figure


def coverage() -> Figure:
    """Draw wrong readings among the surest ones, by how many are answered."""
    rows = load_card().document["scores"][PHOTOGRAPHS]["coverage_curve"]
    figure, axes = new_axes()
    axes.plot([r["answered"] for r in rows], [r["wrong"] for r in rows], color=INK)
    axes.axhline(0.03, color=PALE, linestyle="--", linewidth=1)
    axes.annotate("3 in 100", (0.02, 0.032), color="#6b6558", fontsize=8)
    axes.set(xlim=(0, 1), ylim=(0, None), ylabel="share of them that is wrong")
    axes.set_xlabel("share of photographs answered, the surest first")
    return figure


def chick(line: str, test_chicks: int = 0) -> dict[str, float]:
    """Return the genotype chances of the invented chick, by genotype."""
    from datetime import date

    from service.flock.candidates import candidates
    from service.flock.counts_csv import parse_counted
    from service.flock.flock_csv import parse_flock

    flock = parse_flock(f"{PARENTS}\n{line}\n", "flock.csv")
    counted: Any = ()
    if test_chicks:
        told = f"sire,dam,comb,chicks\nchick,tester,walnut,{test_chicks}\n"
        counted = parse_counted(told, flock)
    found = candidates(flock, {}, [1 / 6] * 6, date(2026, 3, 1), counted)
    return next(c.genotypes for c in found if c.bird == "chick")


def narrowing() -> Figure:
    """Draw how one bird's candidates narrow as more is known of it."""
    steps = [(name, chick(line)) for name, line in KNOWN]
    steps.append((f"{CHICKS} walnut chicks\nof a single-combed hen", chick(KNOWN[-1][1], CHICKS)))
    walnuts = ("R/R P/P", "R/R P/p+", "R/r+ P/P", "R/r+ P/p+")
    colours = (INK, "#4f8193", "#8fb3bf", "#c4d8de")
    figure, axes = new_axes(6.4, 3.6)
    base = np.zeros(len(steps))
    for name, colour in zip(walnuts, colours, strict=True):
        heights = np.array([chances[name] for _, chances in steps])
        axes.bar(range(len(steps)), heights, 0.6, base, color=colour, label=name)
        base += heights
    axes.bar(range(len(steps)), 1 - base, 0.6, base, color=PALE, label="all others")
    axes.set_xticks(range(len(steps)), [name for name, _ in steps], fontsize=8)
    axes.set(ylim=(0, 1), ylabel="chance of the genotype")
    axes.legend(frameon=False, fontsize=8, loc="center left", bbox_to_anchor=(1, 0.5))
    return figure


def hidden() -> Figure:
    """Draw the chance that a walnut still hides r+, by chicks of a test mating that don't tell."""
    from genetics.testmating import chick_by_chick
    from service.flock.matings import subject_of_genotype

    mate = subject_of_genotype("r+/r+ p+/p+").chances
    figure, axes = new_axes()
    bird = subject_of_genotype("R/? P/?").chances
    scores = chick_by_chick(bird, mate, "R", ["walnut"] * 10)
    axes.plot([s.chick for s in scores], [s.carrier for s in scores], "o-", color=INK)
    axes.axhline(0.05, color=PALE, linestyle="--", linewidth=1)
    axes.set(xlabel="walnut chicks of a single-combed mate, none of another comb", ylim=(0, None))
    axes.annotate("1 in 20", (9, 0.055), color="#6b6558", fontsize=8)
    axes.set_ylabel("chance that it hides r+")
    return figure


# Assumptions that bear on the invented chick, each with what half and twice it would be.
ASSUMED = (
    ("wattles.adult.cock_PP", "wattles of a P/P cock"),
    ("person.slip", "a person's slips"),
    ("person.wrong_genotype", "wrong genotype on record"),
    ("person.wrong_count", "wrong counts"),
)


def changed(path: str, times: float) -> dict[str, Any]:
    """Return a table of numbers in which one assumption is so many times as large."""
    from genetics.numbers import toml

    table: Any = toml("combs")
    *within, last = path.split(".")
    for key in within:
        table = table[key]
    value = table[last]
    if isinstance(value, list):  # chances that sum to 1: the first is changed, the rest shrink
        first = min(0.95, value[0] * times)
        rest = (1 - first) / (1 - value[0])
        new: Any = [first, *(v * rest for v in value[1:])]
    else:
        new = value * times
    nested: Any = {last: new}
    for key in reversed(within):
        nested = {key: nested}
    return {"combs": nested}


def leaning() -> Figure:
    """Draw how far a chance of R/R P/P moves if an assumption is half or twice as large."""
    from genetics import numbers

    line = KNOWN[-1][1]
    rows = []
    try:
        usual = chick(line, CHICKS)["R/R P/P"]
        for path, label in ASSUMED:
            ends = []
            for times in (0.5, 2.0):
                numbers.use(changed(path, times))
                ends.append(chick(line, CHICKS)["R/R P/P"])
                numbers.use({})
            rows.append((label, *ends))
    finally:
        numbers.use({})
    rows.sort(key=lambda row: abs(row[2] - row[1]))
    figure, axes = new_axes(6.0, 2.6)
    for place, (_, half, twice) in enumerate(rows):
        axes.barh(place, half - usual, 0.5, usual, color=PALE)
        axes.barh(place, twice - usual, 0.5, usual, color=WARM)
    axes.set_yticks(range(len(rows)), [label for label, *_ in rows])
    axes.axvline(usual, color=INK, linewidth=1)
    axes.set_xlabel("chance of R/R P/P; number halved (pale), doubled (dark)")
    return figure


def measured() -> dict[str, Any]:
    """Return what was measured of large lots."""
    return tomllib.loads((Path(__file__).parent / "capacity.toml").read_text(encoding="utf-8"))


def capacity_photos() -> Figure:
    """Draw hours against photographs; a line beyond what was measured is dashed."""
    figure, axes = new_axes()
    numbers = np.logspace(2, 8, 50)
    looks = zip(measured()["photos"], ("#8a8272", WARM, INK), (1.35, 0.75, 1.0), strict=True)
    for row, colour, apart in looks:
        hours = numbers / row["a_second"] / 3600
        tried = numbers <= 3000
        axes.loglog(numbers[tried], hours[tried], color=colour, linewidth=2)
        axes.loglog(numbers[~tried], hours[~tried], color=colour, linestyle="--", linewidth=1.3)
        axes.text(1.1e8, hours[-1] * apart, row["name"], color=colour, va="center", fontsize=8)
    for hours, name in ((1, "an hour"), (24, "a day"), (24 * 365, "a year")):
        axes.axhline(hours, color=PALE, linewidth=0.6)
        axes.text(110, hours * 1.15, name, fontsize=7, color=INK)
    axes.set(xlabel="photographs", ylabel="hours from JPEG to reading", xlim=(100, 1e9))
    return figure


def capacity_birds() -> Figure:
    """Draw seconds and memory of a whole command against birds."""
    rows = measured()["birds"]
    figure, axes = new_axes()
    birds = [row["birds"] for row in rows]
    axes.loglog(birds, [row["seconds"] for row in rows], "o-", color=WARM)
    axes.set(xlabel="birds", ylabel="seconds")
    axes.yaxis.label.set_color(WARM)
    other = axes.twinx()
    other.spines["top"].set_visible(False)
    other.plot(birds, [row["gigabytes"] for row in rows], "s--", color=INK)
    other.set(ylabel="GB, all processes", ylim=(0, 8.2))
    other.yaxis.label.set_color(INK)
    other.axhline(8, color=PALE, linewidth=0.8)
    return figure


PLOTS = {
    "capacity-photos": capacity_photos,
    "capacity-birds": capacity_birds,
    "reliability": reliability,
    "confusion": confusion,
    "coverage": coverage,
    "narrowing": narrowing,
    "hidden": hidden,
    "leaning": leaning,
}


def write(out: Path) -> None:
    """Write all plots into a folder."""
    for name, plot in PLOTS.items():
        plot().savefig(out / f"{name}.svg", metadata={"Date": None})
