"""Kinship and inbreeding by Wright's definition, with the tabular method."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from genetics.combs import Array
from genetics.pedigree import CandidateParents, check


@dataclass(frozen=True)
class Parentage:
    """Parents that are one of several, with the chance of each pair of them."""

    sires: tuple[int, ...]
    """Rows; (-1,) if unknown."""
    dams: tuple[int, ...]
    chances: Array
    """(sires, dams), summing to 1."""


def kinship(
    sire: Sequence[int], dam: Sequence[int], parentage: Mapping[int, Parentage] | None = None
) -> Array:
    """Coefficients of kinship (n, n): chance that alleles drawn from two birds are one by descent.

    Parents' rows, -1 unknown; unknown parents are unrelated and not inbred. A bird of `parentage`
    is as related as its possible parents are on average. The chicks of a pair
    have the pair's kinship as their coefficient of inbreeding. Source: Wright 1922, Coefficients
    of inbreeding and relationship, American Naturalist 56 (from memory); any textbook.
    """
    several = dict(parentage or {})
    possible = {
        row: CandidateParents(
            tuple(r for r in some.sires if r >= 0) if sire[row] < 0 else (),
            tuple(r for r in some.dams if r >= 0) if dam[row] < 0 else (),
        )
        for row, some in several.items()
    }
    order = check(sire, dam, possible)
    # Birds before their chicks, so that known rows lie in one block; a row of zeros for unknown.
    place = np.full(len(sire) + 1, -1)
    place[order] = np.arange(len(order))
    table = np.zeros((len(sire) + 1, len(sire) + 1))
    for row, bird in enumerate(order):
        some = several.get(bird)
        if some is None:
            s, d = place[sire[bird]], place[dam[bird]]
            mean = 0.5 * (table[s, :row] + table[d, :row])
            inbred = table[s, d]
        else:
            ss, ds = place[list(some.sires)], place[list(some.dams)]
            of_sires, of_dams = some.chances.sum(1), some.chances.sum(0)
            mean = 0.5 * (of_sires @ table[ss, :row] + of_dams @ table[ds, :row])
            inbred = float((some.chances * table[np.ix_(ss, ds)]).sum())
        table[row, :row] = table[:row, row] = mean
        table[row, row] = 0.5 * (1 + inbred)
    back = place[: len(sire)]
    return table[np.ix_(back, back)]
