"""Photos read one after the other: few in memory at once, what can't be read told apart."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from classifier.photo import MOST_BYTES, Photo, PhotoError, open_photo, read_photo
from classifier.reading import Reading
from service.flock.boxes_csv import Box, box_for

if TYPE_CHECKING:
    from classifier.reader import Reader


@dataclass(frozen=True)
class Failure:
    """A photo that couldn't be read, and why."""

    photo: Path
    error: PhotoError


def read_every_head(
    photos: Sequence[Path], reader: Reader, tick: Callable[[], None]
) -> tuple[dict[Path, list[Reading]], list[Failure]]:
    """Return readings of all heads of every photo, and the photos that can't be decoded."""
    readings: dict[Path, list[Reading]] = {}
    failures: list[Failure] = []
    for path in photos:
        try:
            readings[path] = reader.read_heads(opened(path))
        except PhotoError as error:
            failures.append(Failure(path, error))
        tick()
    return readings, failures


def read_all(
    photos: Sequence[Path],
    read: Callable[[Sequence[Photo], Sequence[Box | None]], list[Reading]],
    boxes: dict[str, Box],
    tick: Callable[[], None] = lambda: None,
    chunk: int = 8,
) -> tuple[dict[Path, Reading], list[Failure]]:
    """Return readings of all photos that can be decoded, and the failures.

    Few in memory at once.
    """
    readings: dict[Path, Reading] = {}
    failures: list[Failure] = []
    # Decoding leaves Python's lock alone, so that several photos are decoded at a time.
    with ThreadPoolExecutor(max(1, min(4, os.cpu_count() or 1))) as decoders:
        parts = [photos[start : start + chunk] for start in range(0, len(photos), chunk)]
        # One part ahead: the next photos are decoded while these are read.
        ahead = decoders.map(opened_or_error, parts[0]) if parts else iter(())
        for number, part in enumerate(parts):
            now = list(ahead)
            if number + 1 < len(parts):
                ahead = decoders.map(opened_or_error, parts[number + 1])
            good: list[tuple[Path, Photo]] = []
            for path, photo in zip(part, now, strict=True):
                if isinstance(photo, PhotoError):
                    failures.append(Failure(path, photo))
                    tick()
                else:
                    good.append((path, photo))
            readings_of(good, read, boxes, tick, readings, failures)
    return readings, failures


def opened_or_error(path: Path) -> Photo | PhotoError:
    """Return a decoded photo, or why it can't be decoded."""
    try:
        return opened(path)
    except PhotoError as error:
        return error


def opened(path: Path) -> Photo:
    """Return a decoded photo, of standard input for `-`. Raises PhotoError."""
    if str(path) != "-":
        return open_photo(path)
    data = sys.stdin.buffer.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise PhotoError("photo_too_heavy", megabytes=len(data) / 1e6, most=MOST_BYTES / 1e6)
    return read_photo("-", io.BytesIO(data))


def readings_of(
    photos: Sequence[tuple[Path, Photo]],
    read: Callable[[Sequence[Photo], Sequence[Box | None]], list[Reading]],
    boxes: dict[str, Box],
    tick: Callable[[], None],
    readings: dict[Path, Reading],
    failures: list[Failure],
) -> None:
    """Read decoded photos with their boxes, into `readings` and `failures`."""
    good: list[tuple[Path, Photo, Box | None]] = []
    for path, photo in photos:
        box = box_for(path, boxes)
        if box and (box[0] >= photo.width or box[1] >= photo.height or min(box[2:]) <= 0):
            error = PhotoError("box_outside", width=photo.width, height=photo.height)
            failures.append(Failure(path, error))
            tick()
        else:
            good.append((path, photo, box))
    if good:
        answers = read([p for _, p, _ in good], [b for _, _, b in good])
        for (path, _, _), reading in zip(good, answers, strict=True):
            readings[path] = reading
            tick()
