"""Kinship and inbreeding by Wright's definition, with the tabular method."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from genetics.combs import Array
from genetics.pedigree import check


def kinship(sire: Sequence[int], dam: Sequence[int]) -> Array:
    """Coefficients of kinship (n, n): chance that alleles drawn from two birds are one by descent.

    Parents' rows, -1 unknown; unknown parents are unrelated and not inbred. The chicks of a pair
    have the pair's kinship as their coefficient of inbreeding. Source: Wright 1922, Coefficients
    of inbreeding and relationship, American Naturalist 56 (from memory); any textbook.
    """
    order = check(sire, dam)
    # Birds before their chicks, so that known rows lie in one block; a row of zeros for unknown.
    place = np.full(len(sire) + 1, -1)
    place[order] = np.arange(len(order))
    table = np.zeros((len(sire) + 1, len(sire) + 1))
    for row, bird in enumerate(order):
        s, d = place[sire[bird]], place[dam[bird]]
        table[row, :row] = table[:row, row] = 0.5 * (table[s, :row] + table[d, :row])
        table[row, row] = 0.5 * (1 + table[s, d])
    back = place[: len(sire)]
    return table[np.ix_(back, back)]
