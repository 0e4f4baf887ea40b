"""Trainings that don't depend on one another: one after the other here, or side by side."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import torch

from classifier.errors import ClassifierError
from classifier.training.crop_pack import keep_decoded, load_heads
from classifier.training.finder import train_finder
from classifier.training.reader import Settings, backbone_of, train_reader

Told = Callable[[str], Callable[[int, float], None] | None]


@dataclass(frozen=True)
class Run:
    """One training and where its weights and predictions go."""

    out: Path
    settings: Settings

    @property
    def done(self) -> bool:
        """Whether it has come to its end before."""
        return (self.out / f"{self.settings.task}.st").exists()


def perform(runs: Sequence[Run], folder: Path, jobs: int = 1, told: Told | None = None) -> None:
    """Do all runs from a pack, finished ones not again; `told` gives a run's progress function.

    With several jobs each run is a process of its own; graphics processors take turns. Raises
    ClassifierError if one fails.
    """
    left = [run for run in runs if not run.done]
    if jobs > 1 and left:
        keep_decoded(folder)
        side_by_side(left, folder, jobs)
        return
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    heads = load_heads(folder) if any(r.settings.task == "reader" for r in left) else None
    backbone = backbone_of(folder)
    for run in left:
        progress = told(run.out.name) if told else None
        if heads is not None and run.settings.task == "reader":
            train_reader(folder, heads, run.settings, backbone, run.out, device, progress)
        else:
            train_finder(folder, run.settings, backbone, run.out, device, progress)


def command(run: Run, folder: Path, threads: int) -> list[str]:
    """Return the command line that does a run by itself."""
    words = [sys.executable, "-m", "classifier.training"]
    words += ["--pack", str(folder), "--out", str(run.out), "--threads", str(threads)]
    for name, value in asdict(run.settings).items():
        if value != "":
            words += [f"--{name}", str(value)]
    return words


def side_by_side(runs: Sequence[Run], folder: Path, jobs: int) -> None:
    """Do runs as processes, `jobs` at a time."""
    devices = torch.cuda.device_count()
    threads = max(1, (os.cpu_count() or 1) // jobs)
    waiting, going = list(enumerate(runs)), dict[subprocess.Popen[bytes], Run]()
    while waiting or going:
        while waiting and len(going) < jobs:
            number, run = waiting.pop(0)
            chosen = {"CUDA_VISIBLE_DEVICES": str(number % devices)} if devices > 1 else {}
            run.out.mkdir(parents=True, exist_ok=True)
            with (run.out / "output.txt").open("wb") as output:
                process = subprocess.Popen(  # noqa: S603 - our own module by our own Python
                    command(run, folder, threads),
                    env=os.environ | chosen,
                    stdout=output,
                    stderr=subprocess.STDOUT,
                )
            going[process] = run
        time.sleep(0.2)
        for process in [p for p in going if p.poll() is not None]:
            run = going.pop(process)
            if process.returncode:
                for other in going:
                    other.kill()
                raise ClassifierError("training_failed", place=run.out / "output.txt")
