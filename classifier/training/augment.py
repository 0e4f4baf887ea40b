"""Random changes to batches of pictures, on whatever device they lie."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional


def rand(count: int, low: float, high: float, device: torch.device) -> Tensor:
    """Uniform numbers (count,)."""
    return torch.rand(count, device=device) * (high - low) + low


def affine(
    count: int, scale: Tensor, degrees: Tensor, flip: Tensor, shift: Tensor, aspect: Tensor
) -> Tensor:
    """Matrices (count, 2, 3) from output to input coordinates, both in -1..1."""
    angle = degrees * math.pi / 180
    cos, sin = torch.cos(angle) * scale, torch.sin(angle) * scale
    mirror = 1 - 2 * flip
    rows = torch.stack(
        [
            torch.stack([cos * aspect * mirror, -sin, shift[:, 0]], -1),
            torch.stack([sin * aspect * mirror, cos, shift[:, 1]], -1),
        ],
        1,
    )
    return rows[:count]


def sample(images: Tensor, matrices: Tensor, size: int) -> Tensor:
    """Images (n, 3, h, w) in 0..1 seen through matrices (n, 2, 3), as (n, 3, size, size).

    What lies outside is filled with grey.
    """
    grid = functional.affine_grid(matrices, [len(images), 3, size, size], align_corners=False)
    seen = functional.grid_sample(images - 0.45, grid, padding_mode="zeros", align_corners=False)
    return seen + 0.45


def colours(images: Tensor, strength: float = 1.0) -> Tensor:
    """Exposure, contrast, saturation, white balance and gamma of each picture changed."""
    n, device = len(images), images.device
    one = (n, 1, 1, 1)
    images = images.clamp(0, 1) ** torch.exp(rand(n, -0.3, 0.3, device) * strength).view(one)
    images = images * torch.exp(rand(n, -0.25, 0.25, device) * strength).view(one)
    mean = images.mean((1, 2, 3), keepdim=True)
    images = mean + (images - mean) * torch.exp(rand(n, -0.3, 0.3, device) * strength).view(one)
    grey = images.mean(1, keepdim=True)
    saturation = torch.exp(rand(n, -0.5, 0.35, device) * strength).view(one)
    saturation = torch.where(torch.rand(one, device=device) < 0.06, 0.0, saturation)
    images = grey + (images - grey) * saturation
    balance = torch.exp((torch.rand(n, 3, 1, 1, device=device) - 0.5) * 0.2 * strength)
    return (images * balance).clamp(0, 1)


def coarsen(images: Tensor, share: float = 0.5) -> Tensor:
    """Return some pictures blurred as if taken with few pixels, with noise."""
    n, size = len(images), images.shape[-1]
    order = torch.randperm(n, device=images.device)
    out = images.clone()
    for part in order[: int(n * share)].chunk(4):
        if len(part) == 0:
            continue
        small = int(size * float(torch.empty(1).uniform_(0.22, 0.8)))
        few = functional.interpolate(
            images[part], size=small, mode="bilinear", antialias=True, align_corners=False
        )
        few = few + torch.randn_like(few) * float(torch.empty(1).uniform_(0, 0.04))
        out[part] = functional.interpolate(few, size=size, mode="bicubic", align_corners=False)
    return out.clamp(0, 1)


def erase(images: Tensor, share: float = 0.25) -> Tensor:
    """Return a rectangle of one colour over part of some pictures."""
    n, size, device = len(images), images.shape[-1], images.device
    chosen = (torch.rand(n, 1, 1, device=device) < share)[:, None]
    sides = torch.rand(n, 2, device=device) * 0.28 * size + 4
    first = torch.rand(n, 2, device=device) * (size - sides)
    at = torch.arange(size, device=device) + 0.5
    inside = (at >= first[..., None]) & (at < (first + sides)[..., None])
    hidden = inside[:, None, 0, :, None] & inside[:, None, 1, None, :] & chosen
    return torch.where(hidden, torch.rand(n, 3, 1, 1, device=device), images)


def drawn_errors(errors: Tensor, count: int, share: float, device: torch.device) -> Tensor:
    """Rows (count, 3) of `errors` for a share of the crops, none (0, 0, 1) for the others."""
    picks = torch.randint(len(errors), (count,), device=device)
    none = torch.tensor([0.0, 0.0, 1.0], device=device)
    return torch.where(torch.rand(count, 1, device=device) < share, errors[picks], none)


def turns(askew: Tensor, context: float, view: float, device: torch.device) -> Tensor:
    """Matrices (n, 2, 3) that turn, scale, shift and mirror head crops.

    `context` is the width of the crops and `view` that wanted in the end, in sides of the head;
    `askew` (n, 3) how the box lies beside the true one: shift in sides of the head, and scale.
    """
    n = len(askew)
    scale = torch.exp(rand(n, -0.16, 0.2, device)) * askew[:, 2] * view / context
    wild = torch.rand(n, device=device) < 0.12
    degrees = torch.where(wild, rand(n, -90, 90, device), torch.randn(n, device=device) * 13)
    shift = (torch.rand(n, 2, device=device) - 0.5) * 0.18 + 2 * askew[:, :2]
    return affine(
        n,
        scale,
        degrees,
        (torch.rand(n, device=device) < 0.5).float(),
        shift / context,
        torch.exp(rand(n, -0.12, 0.12, device)),
    )


def recolour(images: Tensor, share: float) -> Tensor:
    """Return some pictures with their colour channels mixed at random, brightness kept."""
    if share <= 0:
        return images
    n, device = len(images), images.device
    mixed = torch.rand(n, 3, 3, device=device)
    mixed = mixed / mixed.sum(2, keepdim=True)
    chosen = (torch.rand(n, 1, 1, 1, device=device) < share).float()
    # A sum over three channels isn't left to autocast, which would make it coarse.
    other = (mixed[..., None, None] * images[:, None]).sum(2)
    return torch.lerp(images, other, chosen)


def masks(codes: Tensor, matrices: Tensor, size: int) -> Tensor:
    """Masks (n, 2, size, size) in 0..1 of comb (code 1) and wattles (2), seen through matrices."""
    planes = torch.stack([codes == 1, codes == 2], 1).float()
    grid = functional.affine_grid(matrices, [len(codes), 2, size, size], align_corners=False)
    return functional.grid_sample(planes, grid, padding_mode="zeros", align_corners=False)


def heads(images: Tensor, matrices: Tensor, size: int) -> Tensor:
    """Head crops seen through matrices of `turns`, recoloured, coarsened, parts erased."""
    return erase(coarsen(colours(sample(images, matrices, size))))


def scenes(images: Tensor, boxes: Tensor, size: int) -> tuple[Tensor, Tensor]:
    """Augmented whole pictures and the boxes (n, 4) of their heads, in pixels of `size`.

    Boxes of pictures without a head are NaN and stay so. A head cut off by the edge by more
    than a third makes its picture headless (NaN).
    """
    n, device = len(images), images.device
    scale = torch.exp(rand(n, -0.9, 0.55, device))
    shift = (torch.rand(n, 2, device=device) - 0.5) * 2 * (1 - scale).abs()[:, None] * 0.9
    centre = torch.nan_to_num((boxes[:, :2] + boxes[:, 2:]) / 2 / size * 2 - 1)
    has = ~torch.isnan(boxes[:, 0])
    zoomed = has & (scale < 1)
    pull = (torch.rand(n, 2, device=device) - 0.5) * scale[:, None] * 1.2
    shift = torch.where(zoomed[:, None], centre + pull, shift)
    wild = torch.rand(n, device=device)
    degrees = torch.where(
        wild < 0.08, rand(n, -180, 180, device), torch.randn(n, device=device) * 8
    )
    flip = (torch.rand(n, device=device) < 0.5).float()
    matrices = affine(n, scale, degrees, flip, shift, torch.ones(n, device=device))
    corners = torch.stack(
        [boxes[:, [0, 1]], boxes[:, [2, 1]], boxes[:, [0, 3]], boxes[:, [2, 3]]], 1
    )
    # A turned box is drawn round an ellipse, not round its corners, which would be too large.
    middle = corners.mean(1, keepdim=True)
    around = torch.linspace(0, 2 * math.pi, 17, device=device)[:-1]
    ring = torch.stack([torch.cos(around), torch.sin(around)], -1)
    half = (boxes[:, 2:] - boxes[:, :2]) / 2
    points = (middle + ring[None] * half[:, None]) / size * 2 - 1
    turn = matrices[:, :, :2]
    back = torch.linalg.inv(turn)
    moved = torch.einsum("nij,npj->npi", back, points - matrices[:, None, :, 2])
    low, high = moved.amin(1), moved.amax(1)
    seen_low, seen_high = low.clamp(-1, 1), high.clamp(-1, 1)
    share = (seen_high - seen_low).prod(1) / (high - low).prod(1)
    out = torch.cat([seen_low, seen_high], 1)
    out = (out + 1) / 2 * size
    out[(share < 0.67) | ~has] = float("nan")
    pictures = coarsen(colours(sample(images, matrices, size)), 0.3)
    return pictures, out
