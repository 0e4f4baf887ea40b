"""The two networks: one finds heads, one reads a head. Both stand on EfficientNet-Lite0."""

from __future__ import annotations

import math

import torch
from torch import Tensor, nn
from torch.nn import functional
from torch.nn.utils.fusion import fuse_conv_bn_eval

from classifier.efficientnet_lite import HEAD, STAGES, EfficientNetLite0, Norm
from classifier.vocabulary import COMBS, WATTLES

# Logits of the reader by head, in the order in which they leave the network.
HEADS = {
    "comb": len(COMBS),
    "none": 1,
    "readable": 1,
    "crest": 1,
    "beard": 1,
    "wattles": 4,
    "young": 1,
}
assert HEADS["wattles"] == len(WATTLES)
STRIDE = 8
# Weight of covered places in the loss of the masks.
MASK_WEIGHT = 3.0
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

        `masks` (n, 2, s/8, s/8) are logits of comb and wattles at each place.
        """
        pooled, maps = self.features(images)
        logits = self.last(self.dropout(pooled))
        found = dict(zip(HEADS, logits.split(list(HEADS.values()), dim=1), strict=True))
        fine, rough = (layer(m) for layer, m in zip(self.lateral, maps, strict=True))
        rough = functional.interpolate(rough, size=fine.shape[-2:], mode="nearest")
        found["masks"] = self.draw(fine + rough)
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


def wattle_share(masks: Tensor, context: float) -> Tensor:
    """Area of the wattles (n,) over that of the square round the head, from logits of masks.

    `masks` (n, 2, m, m) cover a view `context` times as wide as that square. What their loss gave
    to places that are covered, MASK_WEIGHT times as much, is taken back from the chances.
    """
    return (masks[:, 1].float() - math.log(MASK_WEIGHT)).sigmoid().mean((1, 2)) * context**2


def fold_norms(network: nn.Module) -> None:
    """Fold every batch norm of the backbone into the convolution before it, in place.

    For use, not for training: what the network gives stays the same but for rounding.
    """
    for block in network.modules():
        separable = type(block).__name__ == "DepthwiseSeparableConv"
        after = {
            "conv_stem": "bn1",
            "conv_head": "bn2",
            "conv_dw": "bn1" if separable else "bn2",
            "conv_pw": "bn2" if separable else "bn1",
            "conv_pwl": "bn3",
        }
        for name, norm_name in after.items():
            convolution = getattr(block, name, None)
            norm = getattr(block, norm_name, None)
            if isinstance(convolution, nn.Conv2d) and isinstance(norm, Norm):
                setattr(block, name, fuse_conv_bn_eval(convolution, norm))
                setattr(block, norm_name, norm.act)


def all_peaks(heat: Tensor, sides: Tensor, least: float) -> list[tuple[float, list[float]]]:
    """Scores and boxes of all heads of one picture (h, w), (4, h, w), the surest first.

    Boxes that overlap a surer one by more than 0.4 (IoU) are dropped.
    """
    from torchvision.ops import nms  # takes a while to load, and only this needs it

    chances = torch.sigmoid(heat.float())
    rows, columns = torch.nonzero(chances >= least, as_tuple=True)
    x, y = (columns + 0.5) * STRIDE, (rows + 0.5) * STRIDE
    left, up, right, down = (sides.float()[:, rows, columns] * STRIDE).unbind(0)
    boxes = torch.stack([x - left, y - up, x + right, y + down], 1)
    scores = chances[rows, columns]
    kept = nms(boxes, scores, 0.4)
    return [(float(scores[i]), boxes[i].tolist()) for i in kept.tolist()]


def peaks(heat: Tensor, sides: Tensor) -> list[tuple[float, list[float]]]:
    """Score and box (pixels of the network's input) of the highest cell of each picture."""
    answers = []
    for h, s in zip(torch.sigmoid(heat.float()).cpu(), sides.float().cpu(), strict=True):
        top = int(h.argmax())
        row, column = divmod(top, h.shape[1])
        left, up, right, down = (s[:, row, column] * STRIDE).tolist()
        x, y = (column + 0.5) * STRIDE, (row + 0.5) * STRIDE
        answers.append((float(h[row, column]), [x - left, y - up, x + right, y + down]))
    return answers
