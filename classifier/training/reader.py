"""Training of the reader, and what it shares with the head finder: every setting in one place.

    combwright train --renders DIR --photos DIR --out DIR

packs the crops, cross-validates the reader on photographs, trains both networks on all of
`train` and writes checkpoints, out-of-fold predictions and a CSV log. Runs on a CPU or one GPU.
"""

from __future__ import annotations

import csv
import json
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from safetensors.torch import load_file, save_file
from torch import Tensor
from torch.nn import functional

from classifier.network import HEADS, STRIDE, ReaderNetwork, load_imagenet, wattle_share
from classifier.training import augment
from classifier.training.crop_pack import HeadPack
from classifier.training.datasets import HEAD_CONTEXT, HEAD_SIZE
from classifier.training.losses import mask_loss, reader_loss, taught_loss
from classifier.vocabulary import coarse_of

MEAN = STD = 0.5  # EfficientNet-Lite wants -1..1
VIEW_CONTEXT = 1.25


@dataclass(frozen=True)
class Settings:
    """Everything that shapes a training run."""

    task: str = "reader"
    steps: int = 3000
    batch: int = 96
    size: int = 160
    rate: float = 1.2e-3
    decay: float = 0.02
    rendered: float = 0.75
    """Share of each batch that is rendered."""
    balance: float = 0.5
    """A class of n crops weighs n ** balance in its side of the batch: 0 alike, 1 as they come."""
    mixup: float = 0.2
    smooth: float = 0.05
    outline: float = 0.5
    """Weight of the loss of the masks."""
    first_render: int = 0
    """Renders with lower seeds are left out."""
    last_render: int = 10**9
    """Renders from this seed on are left out; held-out ones stay in the test."""
    average: float = 0.998
    """Decay of the running average of the weights, which is what is kept."""
    folds: int = 5
    fold: int = -1
    """Fold of the photographs held out; -1 trains on all of them."""
    seed: int = 0
    teachers: str = ""
    """Weights of trained readers, joined by commas, whose mean the reader also learns from."""
    taught: float = 1.0
    """Weight of what the teachers say."""


def fold_of(group: str, folds: int) -> int:
    """Return the fold of a group, the same in every run."""
    digest = 0
    for byte in group.encode():
        digest = (digest * 31 + byte) % 1_000_003
    return digest % folds


def sampling_weights(pack: HeadPack, settings: Settings, train: Tensor) -> Tensor:
    """Probability of each crop in a batch (n,): rare combs more often, by `settings.balance`.

    Photographs and renders share the batch by `settings.rendered`; real 'unclear' and
    not-a-head crops take what their numbers give.
    """
    weights = torch.zeros(len(train), dtype=torch.float64)
    for rendered in (False, True):
        part = train & (pack.rendered == rendered)
        groups: dict[str, list[int]] = {}
        for i in torch.nonzero(part)[:, 0].tolist():
            label = pack.labels[i]
            key = label if rendered else (coarse_of(label) or label)
            groups.setdefault(key, []).append(i)
        side = torch.zeros_like(weights)
        for members in groups.values():
            side[members] = len(members) ** settings.balance / len(members)
        share = settings.rendered if rendered else 1 - settings.rendered
        if side.sum() > 0:
            weights += share * side / side.sum()
    return weights / weights.sum()


def told(settings: Settings) -> dict[str, Any]:
    """Return settings as the card tells them: how many teachers, not where they lay."""
    count = len([name for name in settings.teachers.split(",") if name])
    return {**asdict(settings), "teachers": count}


def load_teachers(names: str, device: torch.device) -> list[ReaderNetwork]:
    """Trained readers, ready to be asked."""
    found = []
    for name in filter(None, names.split(",")):
        teacher = ReaderNetwork()
        teacher.load_state_dict({k: v.float() for k, v in load_file(name).items()}, strict=False)
        teacher.eval().requires_grad_(requires_grad=False)
        found.append(teacher.to(device).to(memory_format=torch.channels_last))
    return found


def normalise(images: Tensor) -> Tensor:
    """0..1 to what the backbone wants."""
    return (images - MEAN) / STD


def views(images: Tensor, size: int) -> Tensor:
    """Centred views (n, 3, size, size) of packed crops, as the reader gets them in use."""
    side = round(HEAD_SIZE * VIEW_CONTEXT / HEAD_CONTEXT)
    cut = (HEAD_SIZE - side) // 2
    inner = images[:, :, cut : cut + side, cut : cut + side].float() / 255
    return functional.interpolate(
        inner, size=size, mode="bilinear", antialias=True, align_corners=False
    )


@torch.no_grad()
def predict(network: ReaderNetwork, images: Tensor, size: int) -> dict[str, Tensor]:
    """Mean logits over a view and its mirror image, for packed crops, and the wattles' share."""
    network.eval()
    parts: list[dict[str, Tensor]] = []
    for chunk in images.split(128):
        seen = normalise(views(chunk, size))
        plain, mirrored = network(seen), network(seen.flip(3))
        drawn = (plain["masks"] + mirrored["masks"].flip(3)) / 2
        means = {k: ((plain[k] + mirrored[k]) / 2).float().cpu() for k in HEADS}
        parts.append(means | {"share": wattle_share(drawn, VIEW_CONTEXT)[:, None].cpu()})
    return {k: torch.cat([p[k] for p in parts]) for k in parts[0]}


@dataclass
class Log:
    """A CSV log beside the checkpoints."""

    path: Path

    def write(self, **values: float | str) -> None:
        """Append a row; a header first if the file is new."""
        fresh = not self.path.exists()
        with self.path.open("a", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(values))
            if fresh:
                writer.writeheader()
            writer.writerow(values)


def optimise(
    network: torch.nn.Module,
    loss_of: Callable[[int], Tensor],
    settings: Settings,
    out: Path,
    progress: Callable[[int, float], None] | None = None,
) -> torch.nn.Module:
    """Run the steps with AdamW and a cosine rate; returns the averaged network.

    Resumes from `out/state.pt` if it is there.
    """
    device = next(network.parameters()).device
    groups = [
        {"params": [p for p in network.parameters() if p.ndim > 1], "weight_decay": settings.decay},
        {"params": [p for p in network.parameters() if p.ndim <= 1], "weight_decay": 0.0},
    ]
    optimiser = torch.optim.AdamW(groups, lr=settings.rate, fused=device.type == "cuda")
    warm = max(1, settings.steps // 20)
    schedule = torch.optim.lr_scheduler.LambdaLR(
        optimiser,
        lambda s: min((s + 1) / warm, 0.5 * (1 + math.cos(math.pi * s / settings.steps)) + 1e-3),
    )
    average = torch.optim.swa_utils.AveragedModel(
        network,
        multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(settings.average),
        use_buffers=True,
    )
    kept: dict[str, Any] = {
        "network": network,
        "average": average,
        "optimiser": optimiser,
        "schedule": schedule,
    }
    state_path, first = out / "state.pt", 0
    if state_path.exists():
        state = torch.load(state_path, map_location=device, weights_only=True)
        for name, part in kept.items():
            part.load_state_dict(state[name])
        first = state["step"]
    log, started, running = Log(out / "log.csv"), time.monotonic(), 0.0
    for step in range(first, settings.steps):
        network.train()
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            loss = loss_of(step)
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        schedule.step()
        average.update_parameters(network)
        if step % 50 == 49 or step == settings.steps - 1:
            running = float(loss.detach())
            log.write(step=step + 1, loss=running, seconds=round(time.monotonic() - started, 1))
        if progress:
            progress(step + 1, running)
        if step % 500 == 499 and step + 1 < settings.steps:
            state = {name: part.state_dict() for name, part in kept.items()}
            torch.save(state | {"step": step + 1}, state_path)
    state_path.unlink(missing_ok=True)
    return average.module


def shares_of(pack: HeadPack, settings: Settings) -> tuple[Tensor, Tensor]:
    """Return which crops are held out (n,), and how often each other one is drawn (n,)."""
    folds = torch.tensor([fold_of(g, settings.folds) for g in pack.groups])
    kept = torch.tensor([part != "train" for part in pack.parts])
    held = torch.where(pack.rendered, kept, folds == settings.fold)
    known = torch.tensor([w != "differ" for w in pack.labels])
    in_range = [
        not g.startswith("render-")
        or settings.first_render <= int(g.split("-")[1]) < settings.last_render
        for g in pack.groups
    ]
    return held, sampling_weights(pack, settings, ~held & known & torch.tensor(in_range))


def loss_by_teachers(
    teachers: Sequence[ReaderNetwork], images: Tensor, logits: dict[str, Tensor]
) -> Tensor:
    """Return how far the logits are from the teachers' mean (batch,); 0 without teachers."""
    if not teachers:
        return torch.zeros(len(images), device=images.device)
    with torch.no_grad():
        answers = [teacher(images) for teacher in teachers]
    said = {k: torch.stack([a[k].float() for a in answers]).mean(0) for k in HEADS}
    return taught_loss(logits, said)


def train_reader(
    pack: HeadPack,
    settings: Settings,
    backbone: dict[str, Tensor] | None,
    out: Path,
    device: torch.device,
    progress: Callable[[int, float], None] | None = None,
) -> ReaderNetwork:
    """Train the reader and write weights, settings and predictions on what was held out."""
    torch.manual_seed(settings.seed)
    out.mkdir(parents=True, exist_ok=True)
    held, weights = shares_of(pack, settings)
    network = ReaderNetwork().to(device)
    network.to(memory_format=torch.channels_last)
    if backbone:
        load_imagenet(network.backbone, backbone)
    data = pack.to(device)
    teachers = load_teachers(settings.teachers, device)

    def taught(images: Tensor, logits: dict[str, Tensor]) -> Tensor:
        return settings.taught * loss_by_teachers(teachers, images, logits)

    generator = torch.Generator().manual_seed(settings.seed)

    def loss_of(step: int) -> Tensor:
        picks = torch.multinomial(weights, settings.batch, True, generator=generator).to(device)
        turns = augment.turns(len(picks), HEAD_CONTEXT / VIEW_CONTEXT, device)
        images = augment.heads(data.images[picks].float() / 255, turns, settings.size)
        images = normalise(images).contiguous(memory_format=torch.channels_last)
        codes = data.masks[picks]
        drawn = augment.masks(codes, turns, settings.size // STRIDE)
        known = codes[:, 0, 0] != 255
        if settings.mixup <= 0:
            logits = network(images)
            outline = mask_loss(logits["masks"], drawn, known)
            loss = reader_loss(logits, data, picks, settings.smooth)
            return (loss + settings.outline * outline + taught(images, logits)).mean()
        share = float(
            np.random.default_rng([settings.seed, step]).beta(settings.mixup, settings.mixup)
        )
        other = picks.flip(0)
        mixed = share * images + (1 - share) * images.flip(0)
        logits = network(mixed)
        first = reader_loss(logits, data, picks, settings.smooth)
        second = reader_loss(logits, data, other, settings.smooth)
        outline = share * mask_loss(logits["masks"], drawn, known)
        outline = outline + (1 - share) * mask_loss(logits["masks"], drawn.flip(0), known.flip(0))
        hard = share * first + (1 - share) * second
        return (hard + settings.outline * outline + taught(mixed, logits)).mean()

    best = optimise(network, loss_of, settings, out, progress)
    assert isinstance(best, ReaderNetwork)
    save_file({k: v.contiguous().half() for k, v in best.state_dict().items()}, out / "reader.st")
    prior = (weights[:, None] * pack.allowed / pack.allowed.sum(1, True).clamp(min=1)).sum(0)
    (out / "settings.json").write_text(
        json.dumps({**told(settings), "prior": (prior / prior.sum()).tolist()}, indent=1)
    )
    chosen = torch.nonzero(held)[:, 0]
    if len(chosen):
        write_predictions(best, pack, chosen, settings.size, device, out / "held_out.csv")
    return best


def write_predictions(
    network: ReaderNetwork,
    pack: HeadPack,
    chosen: Tensor,
    size: int,
    device: torch.device,
    path: Path,
) -> None:
    """Logits of the chosen crops as a table, for calibration and scores."""
    logits = predict(network, pack.images[chosen].to(device), size)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        columns = [f"{k}{i}" for k, v in logits.items() for i in range(v.shape[1])]
        truths = ["crest", "beard", "wattles", "young", "wattle_share", "pixels"]
        writer.writerow(["row", "source", "part", "group", "label", *truths, *columns])
        table = torch.cat(list(logits.values()), 1)
        for position, i in enumerate(chosen.tolist()):
            source = "render" if bool(pack.rendered[i]) else "photo"
            truth = [float(pack.crest[i]), float(pack.beard[i]), int(pack.wattles[i])]
            drawn = float((pack.masks[i] == 2).float().mean()) * HEAD_CONTEXT**2
            known = bool(pack.masks[i, 0, 0] != 255)
            truth += [float(pack.young[i]), round(drawn, 5) if known else float("nan")]
            values = [f"{v:.4f}" for v in table[position].tolist()]
            about = [i, source, pack.parts[i], pack.groups[i], pack.labels[i]]
            writer.writerow([*about, *truth, float(pack.pixels[i]), *values])


def backbone_of(folder: Path) -> dict[str, Tensor] | None:
    """ImageNet weights packed beside the crops as `backbone.st`, if they are there.

    Their names are numbers, since a safetensors file doesn't keep the order of its tensors.
    """
    path = folder / "backbone.st"
    if not path.exists():
        return None
    return {k: v.float() for k, v in sorted(load_file(path).items())}
