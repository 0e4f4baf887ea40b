"""How far people's readings agree, and how often each of them slips.

Readings are what persons wrote down of photos, blind: before they saw what others read. A word is
one of the six combs or 'pea'; who couldn't tell said nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from genetics.combs import CLASSES, Array, tables
from genetics.evidence import SAID, observer_confusion

COARSE = ("single", "rose", "pea", "walnut")
COARSER = {"crest_folded_single": "single", "single_blade_pea": "pea", "triple_pea": "pea"}
MOST_ROUNDS, CLOSE = 500, 1e-9


@dataclass(frozen=True)
class Said:
    """One blind reading: row of the photo, person, word."""

    item: int
    by: str
    word: str


@dataclass(frozen=True)
class Person:
    """What is estimated of one person's readings."""

    name: str
    readings: int
    confusion: Array
    """(6, 6): by what is there (rows), how often the person writes down each comb."""

    @property
    def right_evenly(self) -> float:
        """Share of readings that are right where all six combs are equally common."""
        return float(np.diag(self.confusion).mean())


def coarse(word: str) -> str:
    """Return a word without what two careful people may well differ in: folds and rows.

    >>> coarse('triple_pea'), coarse('crest_folded_single')
    ('pea', 'single')
    """
    return COARSER.get(word, word)


def kappa(pairs: Sequence[tuple[str, str]]) -> float | None:
    """Cohen's kappa of two people's words on the same photos; None where it can't be told.

    1 is full agreement, 0 what chance alone would give. Cohen 1960, Educational and Psychological
    Measurement 20:37-46 (from memory).
    """
    if not pairs:
        return None
    words = sorted({w for pair in pairs for w in pair})
    table = np.zeros((len(words), len(words)))
    for a, b in pairs:
        table[words.index(a), words.index(b)] += 1 / len(pairs)
    chance = float(table.sum(1) @ table.sum(0))
    if chance >= 1:
        return None
    return float((np.trace(table) - chance) / (1 - chance))


def alpha(said: Sequence[Said]) -> float | None:
    """Krippendorff's alpha of all people's coarse words, gaps allowed; None where none overlap.

    For nominal data, by coincidences (Krippendorff 2011, "Computing Krippendorff's
    Alpha-Reliability").
    """
    newest = {(one.item, one.by): COARSE.index(coarse(one.word)) for one in said}
    counts = np.zeros((len({item for item, _ in newest}), len(COARSE)))
    places = {item: i for i, item in enumerate(sorted({item for item, _ in newest}))}
    for (item, _), word in newest.items():
        counts[places[item], word] += 1
    counts = counts[counts.sum(1) > 1]
    by_word, readers = counts.sum(0), counts.sum(1)
    total = by_word.sum()
    by_chance = total**2 - (by_word**2).sum()
    if by_chance == 0:
        return None
    agreeing = ((counts**2).sum(1) - readers) / (readers - 1)
    apart = total - agreeing.sum()
    return float(1 - (total - 1) * apart / by_chance)


def estimate(said: Sequence[Said], known: Mapping[int, Array]) -> dict[str, Person]:
    """Each person's slips by expectation and maximisation over what the photos may show.

    `known` gives by item what is known of its comb otherwise (6,), as the model's calibrated
    probabilities; items without it start even. Everyone starts with the slips of `combs.toml`:
    how often a person slips at all counts like `worth_readings` readings, and of which comb like
    `comb_worth_readings` readings of it, so that a few readings change little and many decide.
    Nobody's slips are taken for rarer than `least_slip`. Dawid and Skene 1979, Applied Statistics
    28:20-28, with Dirichlet priors (from memory).
    """
    numbers = tables()["person"]
    usual = observer_confusion()
    people = sorted({s.by for s in said})
    items = sorted({s.item for s in said})
    place = {item: i for i, item in enumerate(items)}
    beforehand = np.array([known.get(i, np.full(6, 1 / 6)) for i in items]).reshape(-1, 6)
    beforehand = np.clip(beforehand, 1e-6, None)
    columns = [[CLASSES.index(c) for c in SAID[s.word]] for s in said]
    tables_of = {name: usual for name in people}
    for _ in range(MOST_ROUNDS):
        chances = np.log(beforehand)
        for one, words in zip(said, columns, strict=True):
            chances[place[one.item]] += np.log(tables_of[one.by][:, words].sum(1))
        truth = np.exp(chances - chances.max(1, keepdims=True))
        truth /= truth.sum(1, keepdims=True)
        counts = {name: np.zeros((6, 6)) for name in people}
        for one, words in zip(said, columns, strict=True):
            # 'pea' stands for either word, as often as the person would write each.
            share = tables_of[one.by][:, words]
            share = share / share.sum(1, keepdims=True)
            counts[one.by][:, words] += truth[place[one.item]][:, None] * share
        fresh = {name: with_prior(counted, usual) for name, counted in counts.items()}
        moved = max((float(np.abs(fresh[n] - tables_of[n]).max()) for n in people), default=0.0)
        tables_of = fresh
        if moved < CLOSE:
            break
    least = float(numbers["least_slip"])
    return {
        name: Person(
            name,
            sum(s.by == name for s in said),
            (1 - least * 6 / 5) * tables_of[name] + least / 5,
        )
        for name in people
    }


def with_prior(counted: Array, usual: Array) -> Array:
    """Return slips (6, 6) from counts of what was there (rows) and written down (columns).

    The person's slips in general come first, from all counts; each comb's are drawn towards them.
    """
    numbers = tables()["person"]
    off = 1 - np.eye(6)
    often = float((usual * off).sum() / 6)
    worth = float(numbers["worth_readings"])
    slips = (worth * often + float((counted * off).sum())) / (worth + float(counted.sum()))
    pattern = usual * off * min(slips, 0.9) / often
    pattern = pattern * np.minimum(1, 0.95 / np.maximum(pattern.sum(1, keepdims=True), 1e-12))
    expected = pattern + np.diag(1 - pattern.sum(1))
    total = expected * float(numbers["comb_worth_readings"]) + counted
    return np.asarray(total / total.sum(1, keepdims=True))
