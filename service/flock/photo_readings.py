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


Read = Callable[[Sequence[Photo], Sequence[Box | None]], list[Reading]]
CHUNK = 8  # photos that are decoded ahead and read together


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
    read: Read,
    boxes: dict[str, Box],
    tick: Callable[[], None] = lambda: None,
    chunk: int = CHUNK,
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
            given = [box_for(path, boxes) for path in part]
            for path, answer in zip(part, answers_of(now, given, read), strict=True):
                if isinstance(answer, PhotoError):
                    failures.append(Failure(path, answer))
                else:
                    readings[path] = answer
                tick()
    return readings, failures


def answers_of(
    photos: Sequence[Photo | PhotoError], boxes: Sequence[Box | None], read: Read
) -> list[Reading | PhotoError]:
    """Read decoded photos with their boxes together; each one's reading, or why there is none."""
    answers: list[Reading | PhotoError | None] = []
    for photo, box in zip(photos, boxes, strict=True):
        outside = not isinstance(photo, PhotoError) and box is not None and beyond(box, photo)
        if isinstance(photo, PhotoError):
            answers.append(photo)
        elif outside:
            answers.append(PhotoError("box_outside", width=photo.width, height=photo.height))
        else:
            answers.append(None)
    good = [i for i, answer in enumerate(answers) if answer is None]
    ready = [photo for photo in (photos[i] for i in good) if not isinstance(photo, PhotoError)]
    found = iter(read(ready, [boxes[i] for i in good]) if good else ())
    return [next(found) if answer is None else answer for answer in answers]


def beyond(box: Box, photo: Photo) -> bool:
    """Whether a box has nothing of its photo in it."""
    return box[0] >= photo.width or box[1] >= photo.height or min(box[2:]) <= 0


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
