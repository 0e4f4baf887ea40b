"""Trains one network from a pack: `python -m classifier.training --pack DIR --out DIR`."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path

import torch

from classifier.training.crop_pack import load_heads
from classifier.training.finder import train_finder
from classifier.training.reader import Settings, backbone_of, train_reader


def main() -> None:
    """Train one network from a pack; `combwright train` calls the functions above."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--pack", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--threads", type=int, default=0, help="of the CPU; 0 leaves it to torch")
    for name, value in asdict(Settings()).items():
        parser.add_argument(f"--{name}", type=type(value), default=value)
    args = vars(parser.parse_args())
    folder, out = args.pop("pack"), args.pop("out")
    if threads := args.pop("threads"):
        torch.set_num_threads(threads)
    settings = Settings(**args)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    if settings.task == "reader":
        train_reader(folder, load_heads(folder), settings, backbone_of(folder), out, device)
    else:
        train_finder(folder, settings, backbone_of(folder), out, device)


if __name__ == "__main__":
    main()
