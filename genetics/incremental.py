"""A network that stands: its messages are kept, so that one changed piece of evidence is cheap.

Elimination sends each variable's message towards a root. When a variable's own evidence changes,
only the messages on its way to the root change; what the others then hear is worked out for those
that are asked for, along the way back. The answers are those of `elimination.propagate`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from genetics.variable_elimination import (
    MOST_CELLS,
    Array,
    Factor,
    Impossible,
    TooWide,
    each_without,
    elimination_order,
    multiply,
)


class BucketTree:
    """Beliefs of a network of tables, kept up to date with its variables' own evidence.

    `own` holds one factor for each variable. Raises TooWide where the network needs tables of more
    than `most` cells, Impossible where the evidence excludes itself.
    """

    def __init__(
        self,
        factors: Sequence[Factor],
        own: Sequence[Factor],
        sizes: Sequence[int],
        most: int = MOST_CELLS,
    ) -> None:
        order, left = elimination_order([f.variables for f in factors], sizes, most)
        if left:
            raise TooWide("too_wide", birds=len(left), most=most)
        self.sizes = sizes
        self.order = order
        self.position = {variable: i for i, variable in enumerate(order)}
        # The variable's own evidence comes first in its bucket.
        self.buckets: list[list[Factor]] = [[own[variable]] for variable in order]
        for factor in factors:
            self.buckets[min(self.position[v] for v in factor.variables)].append(factor)
        self.received: list[dict[int, Factor]] = [{} for _ in order]
        self.goal = [-1] * len(order)
        self.scale = [0.0] * len(order)
        for i in range(len(order)):
            self._send(i)
        self._heard: dict[int, Factor | None] = {}

    def _send(self, i: int) -> None:
        """Work out the message of a bucket and hand it on."""
        content = [*self.buckets[i], *self.received[i].values()]
        scope = {v for f in content for v in f.variables} - {self.order[i]}
        message = multiply(content, tuple(sorted(scope)))
        self.goal[i] = min((self.position[v] for v in scope), default=-1)
        if self.goal[i] >= 0:
            self.received[self.goal[i]][i] = message
        else:
            self.scale[i] = message.log_scale

    def change(self, variable: int, own: Factor) -> None:
        """Put new evidence of a variable in the place of the old; all or nothing."""
        i = self.position[variable]
        old = self.buckets[i][0]
        self.buckets[i][0] = own
        self._heard.clear()
        try:
            self._up(i)
        except Impossible:
            self.buckets[i][0] = old
            self._up(i)
            raise

    def _up(self, i: int) -> None:
        while i >= 0:
            self._send(i)
            i = self.goal[i]

    @property
    def log_evidence(self) -> float:
        """Logarithm of the probability of all the evidence."""
        return sum(s for s, goal in zip(self.scale, self.goal, strict=True) if goal < 0)

    def belief(self, variable: int) -> tuple[Array, Array]:
        """Return a variable's distribution given everything, and given all but its own evidence."""
        i = self.position[variable]
        rest = self._without(i, [0])[0].table
        belief = rest * self.buckets[i][0].table
        if belief.sum() <= 0:
            raise Impossible("contradiction")
        return np.asarray(belief / belief.sum()), np.asarray(rest / rest.sum())

    def _without(self, i: int, needed: Sequence[int]) -> dict[int, Factor]:
        """Products of a bucket's content without one of its factors, by place."""
        heard = self._back(i)
        content = [*self.buckets[i], *self.received[i].values(), *([heard] if heard else [])]
        return each_without(content, needed, self.sizes)

    def _back(self, i: int) -> Factor | None:
        """Return what a bucket hears from the one that its message went to; None at a root."""
        way = []
        while i not in self._heard and self.goal[i] >= 0:
            way.append(i)
            i = self.goal[i]
        if i not in self._heard:
            self._heard[i] = None
        for lower in reversed(way):
            upper = self.goal[lower]
            place = len(self.buckets[upper]) + list(self.received[upper]).index(lower)
            self._heard[lower] = self._without(upper, [place])[place]
            i = lower
        return self._heard[i]
