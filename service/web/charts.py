"""Geometry of the charts: numbers to SVG paths; how they look is in `charts.html` and the CSS.

All charts are drawn on one canvas of WIDE x TALL units with the plot inside the margins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log10

from genetics.strategies import Outlook
from service.flock.candidates import Candidate
from service.views.progress import Year
from service.wording.numbers import as_written
from service.wording.sentences import Message

WIDE, TALL = 420, 260
LEFT, RIGHT, TOP, BOTTOM = 52, 24, 12, 44


@dataclass(frozen=True)
class Tick:
    """A mark on an axis: where, and what stands beside it."""

    at: float
    label: str


@dataclass(frozen=True)
class Chart:
    """Lines and bands as SVG paths, with the axes' ticks."""

    lines: tuple[str, ...]
    bands: tuple[str, ...]
    dots: tuple[tuple[float, float, float], ...]
    """x, y and radius."""
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    right: int = WIDE - RIGHT


def x_of(value: float, low: float, high: float) -> float:
    """Return a value's place across the plot."""
    return LEFT + (value - low) / (high - low) * (WIDE - LEFT - RIGHT)


def y_of(value: float, low: float, high: float) -> float:
    """Return a value's place up the plot."""
    return TALL - BOTTOM - (value - low) / (high - low) * (TALL - TOP - BOTTOM)


def path(points: Sequence[tuple[float, float]]) -> str:
    """Return a line through points.

    >>> path([(0, 0), (1, 2.25)])
    'M0.0 0.0L1.0 2.2'
    """
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round values from `low` to `high`, at most `most` steps apart.

    >>> ticks(0, 23)
    [0, 5, 10, 15, 20]
    """
    span = max(high - low, 1e-9)
    size = 10 ** int(log10(span))
    step = next(
        s
        for s in (size / 10, size / 5, size / 2, size, size * 2, size * 5, size * 10)
        if span / s <= most
    )
    step = int(step) if step >= 1 and step == int(step) else step
    start = int(low / step + 0.999999) * step
    found: list[float] = []
    value: float = start
    while value <= high + step * 1e-6:
        found.append(value)
        value += step
    return found


def share_ticks() -> tuple[Tick, ...]:
    """Quarters of a share up the plot."""
    return tuple(Tick(y_of(v, 0, 1), as_written(f"{v:.0%}")) for v in (0, 0.25, 0.5, 0.75, 1))


def certainty_curve(carrier: Sequence[float], certainty: float) -> Chart:
    """Chance that a bird hides a recessive after 0, 1, 2 ... chicks none of which told."""
    last = max(len(carrier) - 1, 1)
    points = [(x_of(i, 0, last), y_of(p, 0, 1)) for i, p in enumerate(carrier)]
    line = y_of(1 - certainty, 0, 1)
    return Chart(
        (path(points), path([(LEFT, line), (WIDE - RIGHT, line)])),
        (),
        tuple((x, y, 3.0) for x, y in points),
        tuple(Tick(x_of(v, 0, last), f"{v:g}") for v in ticks(0, last)),
        share_ticks(),
    )


def fan(outlook: Outlook, most_eggs: float, seasons: int) -> Chart:
    """Eggs set by season: median, the middle half and the middle four fifths of the runs."""

    def edge(column: int) -> list[tuple[float, float]]:
        return [
            (x_of(s.number, 1, seasons), y_of(s.eggs[column], 0, most_eggs))
            for s in outlook.course[:seasons]
        ]

    bands = tuple(path([*edge(low), *reversed(edge(high))]) + "Z" for low, high in ((0, 4), (1, 3)))
    return Chart(
        (path(edge(2)),),
        bands,
        (),
        tuple(Tick(x_of(v, 1, seasons), f"{v}") for v in range(1, seasons + 1)),
        tuple(Tick(y_of(v, 0, most_eggs), f"{v:g}") for v in ticks(0, most_eggs)),
    )


def road(years: Sequence[Year]) -> Chart | None:
    """Mean chance of R/R P/P and the shares of R and P by year; None for a single year."""
    if len(years) < 2:
        return None
    first, last = years[0].year, years[-1].year

    def line(name: str) -> list[tuple[float, float]]:
        return [(x_of(y.year, first, last), y_of(getattr(y, name), 0, 1)) for y in years]

    pure = line("true_breeding")
    across = tuple(Tick(x_of(y.year, first, last), f"{y.year}") for y in years)
    return Chart(
        (path(pure), path(line("rose")), path(line("pea"))),
        (),
        tuple((x, y, 3.0) for x, y in pure),
        across,
        share_ticks(),
    )


def reliability(bins: Sequence[dict[str, float]]) -> Chart:
    """How often readings were right against how sure they were; a dot's area is their number."""
    total = max(max((b["count"] for b in bins), default=1), 1)
    dots = tuple(
        (
            x_of(b["confidence"], 0, 1),
            y_of(b["accuracy"], 0, 1),
            3 + 9 * (b["count"] / total) ** 0.5,
        )
        for b in bins
        if b["count"]
    )
    corner = [(x_of(v, 0, 1), y_of(v, 0, 1)) for v in (0, 1)]
    across = tuple(Tick(x_of(v, 0, 1), as_written(f"{v:.0%}")) for v in (0, 0.25, 0.5, 0.75, 1))
    return Chart((path(corner),), (), dots, across, share_ticks())


@dataclass(frozen=True)
class Weight:
    """A piece of evidence as a bar: right of the middle it speaks for the genotype."""

    evidence: Message
    says: Message
    ratio: float
    start: float
    width: float


def weights(candidate: Candidate) -> list[Weight]:
    """Bars of the ledger on a logarithmic scale, on a canvas 200 wide with 1 in its middle."""
    logs = [log10(min(max(line.ratio, 1e-6), 1e6)) for line in candidate.ledger]
    most = max([1.0, *(abs(v) for v in logs)])
    found = []
    for line, value in zip(candidate.ledger, logs, strict=True):
        width = abs(value) / most * 98
        found.append(
            Weight(
                line.evidence,
                line.says,
                line.ratio,
                100 - (width if value < 0 else 0),
                max(width, 0.8),
            )
        )
    return found
