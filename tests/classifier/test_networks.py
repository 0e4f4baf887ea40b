"""Both ways to run the networks give the same, and weights are folded as PyTorch folds them."""

import subprocess
import sys

import numpy as np
import pytest
import torch
from scipy.spatial.distance import mahalanobis
from torch.nn.utils.fusion import fuse_conv_bn_eval
from torchvision.ops import nms

from classifier import novelty
from classifier.boxes import iou
from classifier.card import CardError
from classifier.network import FinderNetwork, ReaderNetwork, fold_norms
from classifier.networks import graph_of
from classifier.norms import folded
from classifier.outputs import STRIDE, all_peaks, peaks


def worn(network):
    """A network whose norms hold something."""
    torch.manual_seed(3)
    network.train()
    for _ in range(2):
        network(torch.randn(2, 3, 96, 96))
    return network.eval()


@pytest.mark.parametrize("network", [ReaderNetwork(), FinderNetwork()])
def test_weights_are_folded_as_pytorch_folds_them(network):
    state = {k: v.numpy().copy() for k, v in worn(network).state_dict().items()}
    ours = {k: v for k, v in folded(state).items() if "num_batches" not in k}
    fold_norms(network)
    theirs = network.state_dict()
    assert set(ours) == set(theirs)
    for name, value in theirs.items():
        np.testing.assert_allclose(ours[name], value.numpy(), rtol=1e-4, atol=1e-6, err_msg=name)
    # One of them by PyTorch's own function, not by ours that calls it.
    layer, norm = torch.nn.Conv2d(3, 4, 3, bias=False), torch.nn.BatchNorm2d(4, eps=1e-3)
    norm.running_mean.uniform_()
    names = {f"conv_stem.{k}": v.numpy() for k, v in layer.state_dict().items()}
    names |= {f"bn1.{k}": v.numpy() for k, v in norm.state_dict().items()}
    fused = fuse_conv_bn_eval(layer.eval(), norm.eval())
    got = folded({f"backbone.{k}": v for k, v in names.items()})
    assert got["backbone.conv_stem.bias"] == pytest.approx(fused.bias.detach().numpy(), abs=1e-6)


def test_onnx_runtime_and_pytorch_give_the_same(reader):
    from classifier.networks import kept_tensors
    from classifier.torch_networks import TorchNetworks

    slow = TorchNetworks(kept_tensors(reader.folder, reader.card))
    rng = np.random.default_rng(1)
    for size, ask in ((reader.card.finder_size, "find"), (reader.card.size, "read")):
        batch = rng.normal(size=(3, 3, size, size)).astype(np.float32)
        one, other = getattr(reader.networks, ask)(batch), getattr(slow, ask)(batch)
        if ask == "read":
            assert set(one) == set(other)
            one, other = one.values(), [other[name] for name in one]
        for a, b in zip(one, other, strict=True):
            assert np.asarray(a) == pytest.approx(np.asarray(b), abs=2e-3)


def test_reading_a_photo_imports_no_torch():
    code = (
        "import sys; import combwright; r = combwright.read('demo_images/2.jpg'); "
        "assert r.pile; sys.exit('torch' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_a_size_without_a_graph_is_refused():
    with pytest.raises(CardError, match="no graph of the reader for pictures of 161 x 161"):
        graph_of("reader", 161)


def test_heads_that_overlap_are_dropped_as_torchvision_drops_them():
    rng = np.random.default_rng(2)
    heat = rng.normal(0, 2, (20, 20)).astype(np.float32)
    sides = rng.uniform(0.5, 4, (4, 20, 20)).astype(np.float32)
    ours = all_peaks(heat, sides, 0.6)
    chances = 1 / (1 + np.exp(-heat.astype(float)))
    rows, columns = np.nonzero(chances >= 0.6)
    x, y = (columns + 0.5) * STRIDE, (rows + 0.5) * STRIDE
    left, up, right, down = sides[:, rows, columns] * STRIDE
    boxes = torch.tensor(np.stack([x - left, y - up, x + right, y + down], 1))
    kept = nms(boxes, torch.tensor(chances[rows, columns]), 0.4).tolist()
    assert [box for _, box in ours] == [pytest.approx(boxes[i].tolist(), rel=1e-6) for i in kept]
    assert all(iou(a[1], b[1]) <= 0.4 for a in ours for b in ours if a is not b)
    assert peaks(heat[None], sides[None])[0][1] == pytest.approx(ours[0][1])


def test_a_distance_is_mahalanobis_over_the_root_of_the_directions():
    rng = np.random.default_rng(3)
    usual = (rng.normal(size=(400, 6)) @ rng.normal(size=(6, 6))).astype(np.float32)
    manner = novelty.fit(usual)
    inverse = np.linalg.inv(np.cov(usual.T))
    for head in usual[:5]:
        exact = mahalanobis(head, usual.mean(0), inverse) / 6**0.5
        assert novelty.distance(head[None], manner)[0] == pytest.approx(exact, rel=1e-3)
    assert novelty.distance(usual, manner).mean() == pytest.approx(1, abs=0.1)
    assert novelty.distance(usual[:1] + 50, manner)[0] > 5
