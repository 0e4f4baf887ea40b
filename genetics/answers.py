"""What an inference returns, and how answers of a flock's parts are put together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from genetics.factors import Array
from genetics.pedigree import Layer, Pair, Pedigree, Rows
from genetics.pedigree_network import Answer

EXACT, LAYERED, APPROXIMATE = "exact", "layered", "approximate"


@dataclass(frozen=True)
class Posterior:
    """What is known of each bird after all evidence, and before its own."""

    marginals: Array
    """(n, K): probability of each genotype given everything; rows sum to 1."""
    cavities: Array
    """(n, K): the same given everything but the bird's own evidence."""
    log_evidence: float
    """Logarithm of the probability of all the evidence; nan if not exact."""
    methods: tuple[str, ...] = ()
    """By bird: 'exact', 'layered' or 'approximate'."""
    error: float = 0.0
    """Largest standard error of a probability where it was sampled."""
    converged: bool = True
    """Whether sampling came to the error that it aims at, and messages stood."""
    families: Mapping[int, Array] = field(default_factory=dict)
    """By bird with a known parent, what is known of its parents without it, see `Answer`."""
    seen: Array = field(default_factory=lambda: np.zeros((0, 0)))
    """(n, K): the evidence that `families` rest on, with what other layers say of coupled birds."""
    matings: tuple[Array | None, ...] = ()
    """By counted mating, (K, K): sire and dam without the counts; None where they were sampled
    together with other layers."""

    @property
    def method(self) -> str:
        """The least exact method of any bird."""
        there = set(self.methods)
        return next((m for m in (APPROXIMATE, LAYERED) if m in there), EXACT)


@dataclass(frozen=True)
class Joint:
    """Posteriors of several layers, and the joint ones of birds whose evidence couples them."""

    layers: tuple[Posterior, ...]
    coupled: dict[int, Array] = field(default_factory=dict)
    """By bird: joint distribution over the layers' genotypes."""
    around: dict[int, Array] = field(default_factory=dict)
    """By bird: the same without its coupled evidence."""
    parentage: dict[int, Array] = field(default_factory=dict)
    """By bird with several possible parents: chance of each pair (sires, dams)."""


class Collected:
    """Answers of parts of a flock, put together."""

    def __init__(self, layers: Sequence[Layer], count: int) -> None:
        self.marginals = [np.zeros((count, layer.states)) for layer in layers]
        self.cavities = [np.zeros((count, layer.states)) for layer in layers]
        self.families: list[dict[int, Array]] = [{} for _ in layers]
        self.seen = [layer.likelihoods.copy() for layer in layers]
        self.pairs = [[(pair.sire, pair.dam) for pair in layer.pairs] for layer in layers]
        self.matings: list[dict[tuple[int, int], list[Array]]] = [{} for _ in layers]
        self.methods = [np.full(count, EXACT, dtype=object) for _ in layers]
        self.coupled: dict[int, Array] = {}
        self.around: dict[int, Array] = {}
        self.which: dict[int, Array] = {}
        self.log_evidence = [0.0] * len(layers)
        self.error, self.converged = 0.0, True

    def put(self, rows: Rows, answer: Answer, numbers: Sequence[int], method: str = EXACT) -> None:
        """Take the answer for `rows` on the layers `numbers`."""
        for i, number in enumerate(numbers):
            self.marginals[number][rows] = answer.marginals[i]
            self.cavities[number][rows] = answer.cavities[i]
            self.log_evidence[number] += answer.log_evidence if i == 0 else 0.0
            self.methods[number][rows] = method
        for mine, theirs in (
            (self.coupled, answer.coupled),
            (self.around, answer.around),
            (self.which, answer.which),
        ):
            mine.update({int(rows[row]): table for row, table in theirs.items()})

    def put_families(self, rows: Rows, answer: Answer, number: int) -> None:
        """Take what is known of parents without each bird, of one layer."""
        self.families[number].update({int(rows[r]): t for r, t in answer.families.items()})
        self.seen[number][rows] = answer.seen
        for sire, dam, context in answer.matings:
            key = (int(rows[sire]), int(rows[dam]))
            self.matings[number].setdefault(key, []).append(context)

    def matings_in_order(self, number: int) -> tuple[Array | None, ...]:
        """Return what is known of counted matings, in the order of the layer's pairs."""
        left = {key: iter(tables) for key, tables in self.matings[number].items()}
        return tuple(next(left.get(key, iter(())), None) for key in self.pairs[number])

    def joint(self) -> Joint:
        """Return the whole."""
        posteriors = tuple(
            Posterior(
                self.marginals[number],
                self.cavities[number],
                self.log_evidence[number],
                tuple(self.methods[number].tolist()),
                self.error,
                self.converged,
                self.families[number],
                self.seen[number],
                self.matings_in_order(number),
            )
            for number in range(len(self.marginals))
        )
        parentage = {row: table / table.sum() for row, table in self.which.items()}
        return Joint(posteriors, self.coupled, self.around, parentage)


@dataclass(frozen=True)
class Flock:
    """All that goes into an answer, of some birds."""

    pedigree: Pedigree
    layers: list[Layer]
    coupling: dict[int, Array]
    shared: list[int]
    components: Rows

    def part(self, rows: Rows) -> Flock:
        """Return whole components as a flock of their own."""
        if len(rows) == self.pedigree.count:
            return self
        place = {row: i for i, row in enumerate(rows.tolist())}
        layers = [
            Layer(
                layer.transmission,
                layer.prior[rows],
                layer.likelihoods[rows],
                tuple(
                    Pair(place[p.sire], place[p.dam], p.likelihood)
                    for p in layer.pairs
                    if p.sire in place
                ),
            )
            for layer in self.layers
        ]
        return Flock(
            self.pedigree.subset(rows),
            layers,
            {place[r]: t for r, t in self.coupling.items() if r in place},
            [place[r] for r in self.shared if r in place],
            self.components[rows],
        )

    def each_component(self, rows: Rows) -> Iterator[tuple[Rows, Flock]]:
        """Yield the components of some rows one by one: their rows, and each as a flock."""
        for component in np.unique(self.components[rows]):
            birds = np.flatnonzero(self.components == component)
            yield birds, self.part(birds)

    def of(self, birds: Rows) -> tuple[Rows, Rows]:
        """Return rows of the components of some birds, and all others."""
        inside = np.isin(self.components, self.components[birds])
        return np.flatnonzero(inside), np.flatnonzero(~inside)
