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
from numpy.typing import NDArray
from safetensors.torch import load_file, save_file
from torch import Tensor

from classifier import novelty
from classifier.network import ReaderNetwork, load_imagenet
from classifier.outputs import HEADS, STRIDE
from classifier.training import augment
from classifier.training.crop_pack import HeadPack
from classifier.training.datasets import HEAD_CONTEXT
from classifier.training.losses import mask_loss, reader_loss, taught_loss
from classifier.training.predictions import (
    VIEW_CONTEXT,
    features,
    found_views,
    normalise,
    predict,
    views,
    write_predictions,
)
from classifier.vocabulary import coarse_of

USUAL = 4000  # crops from which it is learnt what heads usually look like


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
    errors: str = ""
    """Table of how a finder's boxes lie beside the true ones (`finder.write_errors`)."""
    found: float = 0.5
    """Share of the crops that are looked at as askew as that."""
    recolour: float = 0.0
    """Share of the crops whose colours are mixed up: shape decides, not colour."""
    boxes: str = ""
    """Found boxes by scene (JSON): held-out photographs are then read by those as well."""
    second_round: int = 1
    """0 leaves out the photographs picked because an earlier reader doubted them."""
    unlabelled: float = 0.0
    """Share of the photographs' side for heads on which people differ: teachers alone say what
    they are."""


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
    differ = train & torch.tensor([w == "differ" for w in pack.labels])
    for rendered in (False, True):
        part = train & ~differ & (pack.rendered == rendered)
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
    weights = weights / weights.sum()
    if settings.unlabelled > 0 and bool(differ.any()):
        share = settings.unlabelled * (1 - settings.rendered)
        weights = (1 - share) * weights + share * differ / differ.sum()
    return weights


def told(settings: Settings) -> dict[str, Any]:
    """Return settings as the card tells them: how many teachers, not where they lay."""
    count = len([name for name in settings.teachers.split(",") if name])
    return {**asdict(settings), "teachers": count, "errors": bool(settings.errors), "boxes": ""}


def load_teachers(names: str, device: torch.device) -> list[ReaderNetwork]:
    """Trained readers, ready to be asked."""
    found = []
    for name in filter(None, names.split(",")):
        teacher = ReaderNetwork()
        teacher.load_state_dict({k: v.float() for k, v in load_file(name).items()}, strict=False)
        teacher.eval().requires_grad_(requires_grad=False)
        found.append(teacher.to(device).to(memory_format=torch.channels_last))
    return found


def load_errors(name: str, device: torch.device) -> Tensor:
    """Rows (n, 3) of a table that `finder.write_errors` wrote; one of no error without a table."""
    if not name:
        return torch.tensor([[0.0, 0.0, 1.0]], device=device)
    with Path(name).open(newline="", encoding="utf-8") as file:
        rows = [[float(row[k]) for k in ("x", "y", "scale")] for row in csv.DictReader(file)]
    return torch.tensor(rows, device=device)


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
    known = torch.tensor([w != "differ" or settings.unlabelled > 0 for w in pack.labels])
    if not settings.second_round:
        known &= torch.tensor([word != "second" for word in pack.rounds])
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


def mixing_share(settings: Settings, step: int) -> float:
    """Share of the first of two pictures that are mixed at a step; 1 without mixing."""
    if settings.mixup <= 0:
        return 1.0
    rng = np.random.default_rng([settings.seed, step])
    return float(rng.beta(settings.mixup, settings.mixup))


def prior_of(pack: HeadPack, weights: Tensor) -> list[float]:
    """Return how often each comb is drawn in training (6,)."""
    prior = (weights[:, None] * pack.allowed / pack.allowed.sum(1, True).clamp(min=1)).sum(0)
    found: list[float] = (prior / prior.sum()).tolist()
    return found


def train_reader(
    folder: Path,
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
    errors = load_errors(settings.errors, device)

    def taught(images: Tensor, logits: dict[str, Tensor]) -> Tensor:
        return settings.taught * loss_by_teachers(teachers, images, logits)

    generator = torch.Generator().manual_seed(settings.seed)

    def loss_of(step: int) -> Tensor:
        picks = torch.multinomial(weights, settings.batch, True, generator=generator).to(device)
        askew = augment.drawn_errors(errors, len(picks), settings.found, device)
        turns = augment.turns(askew, HEAD_CONTEXT, VIEW_CONTEXT, device)
        images = data.images[picks].float() / 255
        images = augment.heads(augment.recolour(images, settings.recolour), turns, settings.size)
        images = normalise(images).contiguous(memory_format=torch.channels_last)
        codes = data.masks[picks]
        drawn = augment.masks(codes, turns, settings.size // STRIDE)
        known = codes[:, 0, 0] != 255
        share = mixing_share(settings, step)
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
    # What the features of training crops look like, so that a head unlike them is noticed.
    usual = torch.multinomial(weights, min(USUAL, 4 * len(pack.labels)), True, generator=generator)
    seen_usual = features(best, data.images[usual.to(device)], settings.size)
    manner = novelty.fit(seen_usual.numpy())
    about = {**told(settings), "prior": prior_of(pack, weights)}
    (out / "settings.json").write_text(json.dumps(about, indent=1))
    write_held_out(best, folder, pack, torch.nonzero(held)[:, 0], settings, manner, out)
    state = {k: v.contiguous().half() for k, v in best.state_dict().items()}
    kept = {name: torch.from_numpy(value) for name, value in manner.items()}
    # Last of all: where the weights are, the run is done.
    save_file(state | kept, out / "reader.st")
    return best


def write_held_out(
    network: ReaderNetwork,
    folder: Path,
    pack: HeadPack,
    chosen: Tensor,
    settings: Settings,
    manner: dict[str, NDArray[np.float32]],
    out: Path,
) -> None:
    """Write what a reader says of crops it wasn't trained on, by labelled boxes and found ones."""
    if not len(chosen):
        return
    device = next(network.parameters()).device
    seen = views(pack.images[chosen], settings.size)
    told_of = predict(network, seen, device, manner)
    write_predictions(told_of, pack, chosen.tolist(), out / "held_out.csv")
    if not settings.boxes:
        return
    boxes = json.loads(Path(settings.boxes).read_text(encoding="utf-8"))
    known = [i for i in chosen.tolist() if pack.scenes[i] in boxes and pack.pixels[i] > 0]
    if known:
        seen = found_views(folder, pack, known, boxes, settings.size)
        told_of = predict(network, seen, device, manner)
        write_predictions(told_of, pack, known, out / "found.csv")


def backbone_of(folder: Path) -> dict[str, Tensor] | None:
    """ImageNet weights packed beside the crops as `backbone.st`, if they are there.

    Their names are numbers, since a safetensors file doesn't keep the order of its tensors.
    """
    path = folder / "backbone.st"
    if not path.exists():
        return None
    return {k: v.float() for k, v in sorted(load_file(path).items())}
