"""The weights as a browser gets them: what comes back, and that it reads alike."""

import gzip

import numpy as np
import pytest

from classifier import networks, pocket_weights
from classifier.card import SHIPPED, load_card
from classifier.networks import OnnxNetworks, kept_tensors, layers
from classifier.photo import open_photo
from classifier.pocket_weights import STEPS, pack, stepped, unpack
from classifier.reader import Reader
from tests.conftest import DEMO


@pytest.fixture(scope="module")
def tensors():
    return kept_tensors(SHIPPED, load_card())


@pytest.fixture(scope="module")
def pocket(tensors):
    return pack(tensors)


@pytest.mark.parametrize("network", ["finder", "reader"])
def test_weights_come_back_in_order_and_within_half_a_step(tensors, pocket, network):
    ours, theirs = layers(tensors, network), unpack(pocket, network)
    assert list(ours) == list(theirs) == sorted(ours)
    for name, value in ours.items():
        flat = value.reshape(len(value), -1)
        rms = np.sqrt((flat.astype(float) ** 2).mean(1, keepdims=True))
        most = np.abs(flat).max(1, keepdims=True)
        narrow = value.ndim < 3 or value.shape[1] <= pocket_weights.NARROW
        fine = STEPS["narrow" if narrow else network]
        step = np.maximum(rms / fine, most / pocket_weights.TOP)
        off = np.abs(flat - theirs[name].reshape(flat.shape))
        assert (off <= step * 0.5 * 1.01 + 1e-12).all(), name


def test_a_step_never_lets_a_value_leave_sixteen_bits():
    rng = np.random.default_rng(1)
    wild = rng.standard_cauchy((8, 400)).astype(np.float32)
    steps, _ = stepped(wild, 600)
    assert np.abs(steps).max() <= pocket_weights.TOP
    nothing, _ = stepped(np.zeros((2, 300), np.float32), 600)
    assert not nothing.any()


def test_they_are_small_enough_for_a_first_visit(pocket):
    assert len(gzip.compress(pocket.data, 9)) < 9_600_000


def test_the_graphs_take_them_one_after_the_other(tensors):
    """What the graphs say of offsets and lengths is how a browser lays the weights out."""
    onnx = pytest.importorskip("onnx")
    card = load_card()
    for network, size in (("finder", card.finder_size), ("reader", card.size)):
        model = onnx.load_from_string(networks.graph_of(network, size))
        placed = {}
        for tensor in model.graph.initializer:
            about = {pair.key: pair.value for pair in tensor.external_data}
            if about:
                placed[tensor.name] = int(about["offset"]), int(about["length"])
        at, wanted = 0, {}
        for name, value in layers(tensors, network).items():
            wanted[name] = (at, 4 * value.size)
            at += 4 * value.size
        assert placed == wanted


def test_what_is_read_with_them_hardly_differs(monkeypatch, tensors, pocket):
    photos = [open_photo(path) for path in sorted(DEMO.glob("*.jpg"))]
    packed = iter([unpack(pocket, "finder"), unpack(pocket, "reader")])
    monkeypatch.setattr(networks, "folded", lambda _: next(packed))
    theirs = Reader(networks=OnnxNetworks(tensors, load_card()))
    monkeypatch.undo()
    for ours, other in zip(Reader().read(photos), theirs.read(photos), strict=True):
        assert np.abs(np.array(ours.comb) - other.comb).max() < 0.05
        assert (ours.pile, ours.proposal) == (other.pile, other.proposal)
