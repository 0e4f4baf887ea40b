"""The two networks: one finds heads, one reads a head. Both stand on EfficientNet-Lite0."""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional
from torch.nn.utils.fusion import fuse_conv_bn_eval

from classifier.efficientnet_lite import HEAD, STAGES, EfficientNetLite0, Norm
from classifier.norms import norm_after
from classifier.outputs import HEADS

# Stages of the backbone that the masks are drawn from, and their channels.
MASK_STAGES = (2, 4)
# Those that the finder stands on, at strides 8, 16 and 32.
FINDER_STAGES = (2, 4, 6)


class ReaderNetwork(nn.Module):
    """Logits for comb, none-of-these, crest, beard, wattles and age of a head crop, and masks.

    The masks of comb and wattles are drawn from the backbone's maps at strides 8 and 16.
    """

    def __init__(self, dropout: float = 0.3) -> None:
        super().__init__()
        self.backbone = EfficientNetLite0()
        self.dropout = nn.Dropout(dropout)
        self.last = nn.Linear(HEAD, sum(HEADS.values()))
        width = 32
        self.lateral = nn.ModuleList(
            nn.Conv2d(STAGES[stage].channels, width, 1) for stage in MASK_STAGES
        )
        self.draw = nn.Sequential(
            nn.ReLU(inplace=True),
            nn.Conv2d(width, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU(inplace=True),
            nn.Conv2d(width, 2, 1),
        )

    def features(self, images: Tensor) -> tuple[Tensor, list[Tensor]]:
        """Pooled features (n, 1280) and the maps at strides 8 and 16."""
        last, maps = self.backbone.maps(images, MASK_STAGES)
        return self.backbone.pool(last), maps

    def forward(self, images: Tensor) -> dict[str, Tensor]:
        """Images (n, 3, s, s), normalised, to a dict of logits (n, k).

        `masks` (n, 2, s/8, s/8) are logits of comb and wattles at each place, `pooled` (n, 1280)
        the features that all but the masks are read from.
        """
        pooled, maps = self.features(images)
        logits = self.last(self.dropout(pooled))
        found = dict(zip(HEADS, logits.split(list(HEADS.values()), dim=1), strict=True))
        fine, rough = (layer(m) for layer, m in zip(self.lateral, maps, strict=True))
        rough = functional.interpolate(rough, size=fine.shape[-2:], mode="nearest")
        found["masks"] = self.draw(fine + rough)
        found["pooled"] = pooled
        return found


class FinderNetwork(nn.Module):
    """A heat map of head centres and the box round each cell, at stride 8."""

    def __init__(self, width: int = 64) -> None:
        super().__init__()
        self.backbone = EfficientNetLite0(head=False)
        self.lateral = nn.ModuleList(
            nn.Conv2d(STAGES[stage].channels, width, 1) for stage in FINDER_STAGES
        )
        self.smooth = nn.Sequential(
            nn.Conv2d(width, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU(inplace=True),
            nn.Conv2d(width, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU(inplace=True),
        )
        self.out = nn.Conv2d(width, 5, 1)
        assert self.out.bias is not None
        with torch.no_grad():
            self.out.bias.copy_(torch.tensor([-4.0, 0, 0, 0, 0]))  # few cells hold a head

    def forward(self, images: Tensor) -> tuple[Tensor, Tensor]:
        """Images (n, 3, s, s) to heat logits (n, s/8, s/8) and sides (n, 4, s/8, s/8).

        Sides are the distances from the cell's middle to left, top, right, bottom, in strides.
        """
        found = self.backbone.maps(images, FINDER_STAGES)[1]
        maps = [layer(m) for layer, m in zip(self.lateral, found, strict=True)]
        x = maps[-1]
        for finer in reversed(maps[:-1]):
            x = finer + functional.interpolate(x, size=finer.shape[-2:], mode="nearest")
        out = self.out(self.smooth(x))
        return out[:, 0], functional.softplus(out[:, 1:] + 1.5) * 1.5


def load_imagenet(module: nn.Module, state: dict[str, Tensor]) -> int:
    """Copy ImageNet weights of EfficientNet-Lite0 into a backbone, tensor by tensor in order.

    The published state dict names its layers otherwise but lists them in the same order; shapes
    are checked. Returns the number of tensors copied; ValueError if they don't fit.
    """
    target = {k: v for k, v in module.state_dict().items() if "num_batches" not in k}
    source = [v for k, v in state.items() if "num_batches" not in k]
    if len(source) < len(target):
        raise ValueError(f"{len(source)} tensors of weights for {len(target)} of the network")
    for (name, value), given in zip(target.items(), source, strict=False):
        if value.shape != given.shape:
            raise ValueError(f"{name}: shape {tuple(given.shape)} instead of {tuple(value.shape)}")
        value.copy_(given)
    return len(target)


def fold_norms(network: nn.Module) -> None:
    """Fold every batch norm into the convolution before it, in place.

    For use, not for training: what the network gives stays the same but for rounding.
    """
    names = network.state_dict()
    for name, layer in list(network.named_modules()):
        norm_name = norm_after(name, names) if isinstance(layer, nn.Conv2d) else ""
        norm = network.get_submodule(norm_name) if norm_name else None
        if isinstance(layer, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
            network.set_submodule(name, fuse_conv_bn_eval(layer, norm))
            active = norm.act if isinstance(norm, Norm) else nn.Identity()
            network.set_submodule(norm_name, active)
