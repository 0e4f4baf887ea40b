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
    count = len(sire)
    table = np.zeros((count, count))
    done: list[int] = []
    for bird in check(sire, dam):
        s, d = sire[bird], dam[bird]
        known = np.array(done, dtype=int)
        row = np.zeros(len(known))
        for parent in (s, d):
            if parent >= 0:
                row = row + 0.5 * table[parent, known]
        table[bird, known] = row
        table[known, bird] = row
        parents = table[s, d] if s >= 0 and d >= 0 else 0.0
        table[bird, bird] = 0.5 * (1 + parents)
        done.append(bird)
    return table
