"""Sorting a batch: readings joined with the pedigree, the worst risk first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from classifier.photo import SUFFIXES
from classifier.reading import Reading
from genetics.messages import Place
from service.errors import BatchError
from service.flock.assessment import PILE_ORDER, Item, item_of
from service.flock.candidates import Candidate, candidates
from service.flock.flock_csv import Flock
from service.flock.photo_readings import Failure

if TYPE_CHECKING:
    pass


@dataclass(frozen=True)
class Batch:
    """A sorted batch and what couldn't be read."""

    items: tuple[Item, ...]
    failures: tuple[Failure, ...]
    unseen: tuple[str, ...]
    """Birds of the flock list without a photo in this batch."""

    def pile(self, name: str) -> list[Item]:
        """Return the items of one pile."""
        return [item for item in self.items if item.pile == name]


def photos_in(folder: Path) -> list[Path]:
    """Files of a folder that look like photos by their suffix, in natural order."""
    if not folder.exists():
        raise BatchError("no_such_folder", place=Place(str(folder)))
    if not folder.is_dir():
        raise BatchError("not_a_folder", place=Place(str(folder)))
    found = [
        p
        for p in folder.iterdir()
        if p.is_file() and p.suffix.lower() in SUFFIXES and not p.name.startswith(".")
    ]
    if not found:
        raise BatchError("no_photos_here", place=Place(str(folder)), suffixes=tuple(SUFFIXES))
    return sorted(found, key=natural)


def natural(path: Path) -> list[tuple[int, int, str]]:
    """Sort key by which 9 comes before 10."""
    parts = re.split(r"(\d+)", path.name)
    return [(0, int(p), "") if p.isdigit() else (1, 0, p.lower()) for p in parts]


def owners(photos: Sequence[Path], flock: Flock | None) -> dict[str, list[Path]]:
    """Photos by bird: the flock's `photo` column, else the file name's stem.

    A stem with an ending such as `-2`, `_b` or ` (3)` belongs to the bird before it, if the
    flock knows that one and not the whole stem.
    """
    listed = {p: b.bird for b in (flock.birds if flock else ()) for p in b.photos}
    known = {b.bird for b in flock.birds} if flock else set()
    birds: dict[str, list[Path]] = {}
    for photo in photos:
        bird = listed.get(photo.name) or photo.stem
        if photo.name not in listed and bird not in known:
            short = re.sub(r"[-_ ](\d+|[a-z]|\(\d+\))$", "", bird)
            bird = short if short in known else bird
        birds.setdefault(bird, []).append(photo)
    return birds


def sort_batch(
    photos: Sequence[Path],
    readings: dict[Path, Reading],
    failures: Sequence[Failure],
    flock: Flock | None,
    prior: Sequence[float],
    on: date | None,
) -> Batch:
    """Join readings with the flock and sort the birds, worst risk first in each pile."""
    by_bird = owners(photos, flock)
    known: dict[str, Candidate] = {}
    if flock:
        looks = {b: [readings[p] for p in ps if p in readings] for b, ps in by_bird.items()}
        found = candidates(flock, looks, prior, on)
        known = {c.bird: c for c in found}
    rows = {b.bird: b for b in flock.birds} if flock else {}
    items = []
    for bird, paths in by_bird.items():
        seen = tuple(readings[p] for p in paths if p in readings)
        if seen:
            kept = tuple(p for p in paths if p in readings)
            items.append(item_of(bird, kept, seen, known.get(bird), rows.get(bird)))
    items.sort(key=lambda i: (PILE_ORDER.index(i.pile), -i.risk, natural(Path(i.bird))))
    unseen = tuple(b for b in rows if b not in by_bird)
    return Batch(tuple(items), tuple(failures), unseen)
