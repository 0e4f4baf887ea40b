"""The backbone is the one that the published weights are for: the same as timm's, to the bit."""

import timm
import torch

from classifier.efficientnet_lite import EfficientNetLite0
from classifier.network import FinderNetwork, ReaderNetwork, fold_norms


def test_the_backbone_is_timms_tf_efficientnet_lite0():
    theirs = timm.create_model("tf_efficientnet_lite0", pretrained=False, num_classes=0).eval()
    ours = EfficientNetLite0().eval()
    assert list(ours.state_dict()) == list(theirs.state_dict())
    ours.load_state_dict(theirs.state_dict())
    for side in (96, 161, 224):  # odd sides are padded to one side more
        images = torch.randn(2, 3, side, side)
        with torch.no_grad():
            assert torch.equal(ours.pool(ours.maps(images, ())[0]), theirs(images))


def test_folding_norms_changes_nothing_but_the_rounding():
    torch.manual_seed(1)
    for network, side in ((ReaderNetwork(), 96), (FinderNetwork(), 128)):
        network.train()
        for _ in range(2):  # so that the norms hold something
            network(torch.randn(4, 3, side, side))
        network.eval()
        images = torch.randn(2, 3, side, side)
        with torch.no_grad():
            before = network(images)
            fold_norms(network)
            after = network(images)
        first = before["comb"] if isinstance(before, dict) else before[0]
        second = after["comb"] if isinstance(after, dict) else after[0]
        assert torch.allclose(first, second, atol=1e-4)
