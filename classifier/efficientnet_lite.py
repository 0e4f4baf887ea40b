"""EfficientNet-Lite0: the backbone of both networks, in plain PyTorch.

Tan and Le, "EfficientNet: Rethinking Model Scaling for Convolutional Neural Networks" (2019), in
the Lite variant of 2020 (ReLU6, no squeeze-and-excitation, stem and head of fixed width), with the
padding of TensorFlow. Layers are named as the published weights are, and as timm names them: a
test holds the two against each other.
"""

from __future__ import annotations

from dataclasses import dataclass

from torch import Tensor, nn
from torch.nn import functional

EPSILON = 1e-3  # of the batch norms, as in TensorFlow
STEM, HEAD = 32, 1280


@dataclass(frozen=True)
class Stage:
    """A stage: so many blocks of one kernel size, the first of them with the stride."""

    blocks: int
    kernel: int
    stride: int
    expansion: int
    channels: int


STAGES = (
    Stage(1, 3, 1, 1, 16),
    Stage(2, 3, 2, 6, 24),
    Stage(2, 5, 2, 6, 40),
    Stage(3, 3, 2, 6, 80),
    Stage(3, 5, 1, 6, 112),
    Stage(4, 5, 2, 6, 192),
    Stage(1, 3, 1, 6, 320),
)


class SameConv2d(nn.Conv2d):
    """A convolution padded as TensorFlow pads: the output has ceil(input / stride) places."""

    def forward(self, images: Tensor) -> Tensor:
        """Images (n, c, h, w) to (n, out, ceil(h / stride), ceil(w / stride))."""
        stride, kernel = self.stride[0], self.kernel_size[0]
        if stride > 1:
            sides = []
            for size in (images.shape[-1], images.shape[-2]):
                lacking = max((-(-size // stride) - 1) * stride + kernel - size, 0)
                sides += [lacking // 2, lacking - lacking // 2]
            images = functional.pad(images, sides)
        return super().forward(images)


def convolution(
    inside: int, outside: int, kernel: int, stride: int = 1, groups: int = 1
) -> nn.Conv2d:
    """Return a convolution without bias, padded as TensorFlow pads."""
    padding = 0 if stride > 1 else kernel // 2
    return SameConv2d(inside, outside, kernel, stride, padding, groups=groups, bias=False)


class Norm(nn.BatchNorm2d):
    """A batch norm with the activation behind it."""

    def __init__(self, channels: int, active: bool = True) -> None:
        super().__init__(channels, eps=EPSILON)
        self.act: nn.Module = nn.ReLU6(inplace=True) if active else nn.Identity()

    def forward(self, images: Tensor) -> Tensor:
        """Images (n, c, h, w), normalised and activated."""
        return self.act(super().forward(images))


class DepthwiseSeparableConv(nn.Module):
    """The first stage's block: each channel by itself, then all together."""

    def __init__(self, inside: int, outside: int, kernel: int, stride: int) -> None:
        super().__init__()
        self.skip = stride == 1 and inside == outside
        self.conv_dw = convolution(inside, inside, kernel, stride, groups=inside)
        self.bn1: nn.Module = Norm(inside)
        self.conv_pw = convolution(inside, outside, 1)
        self.bn2: nn.Module = Norm(outside, active=False)

    def forward(self, images: Tensor) -> Tensor:
        """Images (n, inside, h, w) to (n, outside, h / stride, w / stride)."""
        found = self.bn2(self.conv_pw(self.bn1(self.conv_dw(images))))
        return found + images if self.skip else found


class InvertedResidual(nn.Module):
    """A block that widens, filters each channel by itself, and narrows again."""

    def __init__(self, inside: int, outside: int, kernel: int, stride: int, expansion: int) -> None:
        super().__init__()
        wide = inside * expansion
        self.skip = stride == 1 and inside == outside
        self.conv_pw = convolution(inside, wide, 1)
        self.bn1: nn.Module = Norm(wide)
        self.conv_dw = convolution(wide, wide, kernel, stride, groups=wide)
        self.bn2: nn.Module = Norm(wide)
        self.conv_pwl = convolution(wide, outside, 1)
        self.bn3: nn.Module = Norm(outside, active=False)

    def forward(self, images: Tensor) -> Tensor:
        """Images (n, inside, h, w) to (n, outside, h / stride, w / stride)."""
        found = self.bn2(self.conv_dw(self.bn1(self.conv_pw(images))))
        found = self.bn3(self.conv_pwl(found))
        return found + images if self.skip else found


class EfficientNetLite0(nn.Module):
    """Stem and seven stages; with a head also the pooled features that ImageNet was learnt by."""

    def __init__(self, head: bool = True) -> None:
        super().__init__()
        self.conv_stem = convolution(3, STEM, 3, 2)
        self.bn1: nn.Module = Norm(STEM)
        inside, stages = STEM, []
        for stage in STAGES:
            blocks: list[nn.Module] = []
            for number in range(stage.blocks):
                stride = stage.stride if number == 0 else 1
                if stage.expansion == 1:
                    block: nn.Module = DepthwiseSeparableConv(
                        inside, stage.channels, stage.kernel, stride
                    )
                else:
                    block = InvertedResidual(
                        inside, stage.channels, stage.kernel, stride, stage.expansion
                    )
                blocks.append(block)
                inside = stage.channels
            stages.append(nn.Sequential(*blocks))
        self.blocks = nn.Sequential(*stages)
        if head:
            self.conv_head = convolution(inside, HEAD, 1)
            self.bn2: nn.Module = Norm(HEAD)
        self.reset()

    def reset(self) -> None:
        """Begin anew: convolutions by fan-out (He and others, 2015)."""
        for layer in self.modules():
            if isinstance(layer, nn.Conv2d):
                fan_out = layer.kernel_size[0] ** 2 * layer.out_channels // layer.groups
                nn.init.normal_(layer.weight, 0.0, (2.0 / fan_out) ** 0.5)

    def maps(self, images: Tensor, stages: tuple[int, ...]) -> tuple[Tensor, list[Tensor]]:
        """Images (n, 3, s, s) to the last stage's maps, and those of some stages."""
        found, x = [], self.bn1(self.conv_stem(images))
        for index, stage in enumerate(self.blocks):
            x = stage(x)
            if index in stages:
                found.append(x)
        return x, found

    def pool(self, last: Tensor) -> Tensor:
        """Return pooled features (n, 1280) of the last stage's maps (n, 320, h, w)."""
        return self.bn2(self.conv_head(last)).mean((2, 3))
