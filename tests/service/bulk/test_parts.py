"""A flock cut into parts: whole families, each bird once, whoever works."""

import random

import networkx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.bulk.parts import Kin
from service.bulk.processes import in_order
from service.errors import ServiceError


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 40), st.integers(0, 10_000), st.integers(1, 50))
def test_families_are_the_connected_components_of_the_pedigree(birds, seed, size):
    # Reference: networkx, which knows nothing of birds.
    rng = random.Random(seed)
    kin, graph = Kin([str(row) for row in range(birds)]), networkx.Graph()
    graph.add_nodes_from(range(birds))
    for row in range(1, birds):
        if rng.random() < 0.6:
            some = [rng.randrange(row) for _ in range(rng.choice([1, 1, 2]))]
            kin.parents(row, " or ".join(map(str, some)))
            graph.add_edges_from((row, other) for other in some)
    label = kin.families()
    families = {tuple(np.flatnonzero(label == one).tolist()) for one in set(label.tolist())}
    assert families == {tuple(sorted(c)) for c in networkx.connected_components(graph)}
    assert label[0] == 0
    assert all(np.diff(np.unique(label, return_index=True)[1]) > 0)  # in the order of the list
    parts = kin.parts(size)
    assert sorted(np.concatenate(parts).tolist()) == list(range(birds))
    for part in parts:
        assert set(label[part]).isdisjoint(set(label) - set(label[part]))
        inside = set(part.tolist())
        assert all(set(graph[row]) <= inside for row in inside)
        assert part.tolist() == sorted(part.tolist())
    sizes = [len(part) for part in parts]
    assert all(n >= size for n in sizes[:-1])


def test_a_band_that_holds_the_word_or_is_one_bird():
    kin = Kin(["1", "2", "1 or 2", "4"])
    kin.parents(3, "1 or 2")
    assert [part.tolist() for part in kin.parts(1)] == [[0], [1], [2, 3]]
    assert Kin([]).parts() == []


def double(number):
    if number == 13:
        raise ServiceError("process_died")
    return 2 * number


def test_answers_come_in_the_order_of_the_work_and_work_is_not_piled_up():
    asked = []

    def numbers():
        for number in range(12):
            asked.append(number)
            yield number

    answers = in_order(double, numbers(), 2)
    assert next(answers) == 0
    assert len(asked) <= 5
    assert list(answers) == [2 * n for n in range(1, 12)]
    with pytest.raises(ServiceError):
        list(in_order(double, [13], 2))
    assert list(in_order(double, [1, 2], 1)) == [2, 4]
