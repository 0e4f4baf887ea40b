"""Losses of the reader: combs, what else is known of a head, masks, and what teachers say."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from classifier.outputs import HEADS, MASK_WEIGHT
from classifier.training.crop_pack import HeadPack

SIDE_LOSSES = (
    ("none", 0.6),
    ("readable", 0.3),
    ("crest", 0.3),
    ("beard", 0.3),
    ("young", 0.15),
    ("frontal", 0.15),
)


def reader_loss(logits: dict[str, Tensor], pack: HeadPack, picks: Tensor, smooth: float) -> Tensor:
    """Loss of each picture (n,): set-valued comb labels, and what else is known of it."""
    allowed = pack.allowed[picks]
    scores = functional.log_softmax(logits["comb"].float(), 1)
    inside = torch.logsumexp(scores.masked_fill(allowed == 0, -1e4), 1)
    loss = -(1 - smooth) * inside - smooth * scores.mean(1)
    loss = torch.where(allowed.sum(1) > 0, loss, 0.0)
    for name, weight in SIDE_LOSSES:
        goal: Tensor = getattr(pack, name)[picks]
        known = ~torch.isnan(goal)
        each = functional.binary_cross_entropy_with_logits(
            logits[name][:, 0].float(), torch.nan_to_num(goal), reduction="none"
        )
        loss = loss + weight * torch.where(known, each, 0.0)
    wattles = functional.cross_entropy(
        logits["wattles"].float(), pack.wattles[picks], ignore_index=-1, reduction="none"
    )
    return loss + 0.2 * wattles


def taught_loss(logits: dict[str, Tensor], said: dict[str, Tensor]) -> Tensor:
    """Loss of each picture (n,) against the teachers' mean logits.

    Knowledge distillation at a temperature of 2: Hinton, Vinyals and Dean 2015 (from memory).
    """
    loss = torch.zeros(len(logits["comb"]), device=logits["comb"].device)
    for name in HEADS:
        mine, theirs = logits[name].float(), said[name].float()
        if mine.shape[1] > 1:
            goal = (theirs / 2).softmax(1)
            each = -(goal * (mine / 2).log_softmax(1)).sum(1) * 4
        else:
            each = functional.binary_cross_entropy_with_logits(
                mine[:, 0], theirs[:, 0].sigmoid(), reduction="none"
            )
        loss = loss + (0.5 if name == "comb" else 0.1) * each
    return loss


def mask_loss(logits: Tensor, goal: Tensor, known: Tensor) -> Tensor:
    """Loss of the drawn masks (n,); 0 where the truth isn't known."""
    each = functional.binary_cross_entropy_with_logits(
        logits.float(),
        goal,
        reduction="none",
        pos_weight=torch.tensor(MASK_WEIGHT, device=goal.device),
    )
    return torch.where(known, each.mean((1, 2, 3)), 0.0)
