"""Birds that hang together stay together: a flock cut into parts that are worked out apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from service.flock.flock_csv import OR

Rows = NDArray[np.int64]
# Birds in a part, unless one family is larger. It bounds memory (some 12 kB a bird while a part is
# worked out) and how far apart on a list two bands may stand that are weighed as mixed up.
PART = 20_000


class Kin:
    """Which birds of a flock hang together, gathered bird by bird; memory is some numbers a bird.

    >>> kin = Kin(["1", "2", "3", "4"])
    >>> kin.parents(2, "1 or 9")
    >>> [part.tolist() for part in kin.parts(size=1)]
    [[0, 2], [1], [3]]
    """

    def __init__(self, bands: Sequence[str]) -> None:
        self.rows = {band: row for row, band in enumerate(bands)}
        self.one: list[int] = []
        self.other: list[int] = []

    def link(self, row: int, band: str) -> None:
        """Tie a bird to another by its band, if that is one of the flock."""
        other = self.rows.get(band)
        if other is not None:
            self.one.append(row)
            self.other.append(other)

    def parents(self, row: int, said: str) -> None:
        """Tie a bird to its sire or dam, or to each that it may be ('12 or 14')."""
        if said:
            for band in [said] if said in self.rows else said.split(OR):
                self.link(row, band.strip())

    def families(self) -> Rows:
        """Return the number of each bird's family (n,), counted from the first bird on."""
        ties = (np.ones(len(self.one), np.int8), (self.one, self.other))
        graph = coo_array(ties, shape=(len(self.rows), len(self.rows)))
        if not self.rows:
            return np.zeros(0, np.int64)
        label = connected_components(graph, directed=False)[1]
        _, first, place = np.unique(label, return_index=True, return_inverse=True)
        return np.argsort(np.argsort(first))[place].astype(np.int64)

    def parts(self, size: int = PART) -> list[Rows]:
        """Rows of each part, ascending: whole families in the order of their first birds.

        A part is full once it has `size` birds; which families share one depends on the flock
        alone, never on how many processes work.
        """
        family = self.families()
        ends = np.cumsum(np.bincount(family)) if len(family) else np.zeros(0, np.int64)
        part_of_family = np.zeros(len(ends), np.int64)
        start, part = 0, 0
        for number, end in enumerate(ends.tolist()):
            part_of_family[number] = part
            if end - start >= size:
                start, part = end, part + 1
        part_of = part_of_family[family]
        order = np.argsort(part_of, kind="stable")
        cuts = np.flatnonzero(np.diff(part_of[order])) + 1
        return np.split(order, cuts) if len(order) else []
