"""Where many photos lie: files and folders of this machine, or of an object store by its URL."""

from __future__ import annotations

import hashlib
import io
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from classifier.photo import MOST_BYTES, SUFFIXES, Photo, PhotoError, read_photo
from genetics.messages import Place
from service.errors import BatchError
from service.records.object_photos import filesystem, is_url, one_line, troubles

TRIES, PAUSE = 3, 0.5  # of reading a photo; seconds before the second, twice as long each time


@dataclass(frozen=True)
class Address:
    """A photo that waits."""

    name: str
    """Path or URL, as the place it was found in was given."""
    size: int
    stamp: str
    """What changes when its bytes do, as far as the place tells: a time, an entity tag."""
    folder: str = ""
    """What a path is taken from; a worker may stand elsewhere."""


def photos_at(places: Sequence[str]) -> list[Address]:
    """Return all photos of some places, each once, in the order of their names.

    Folders are looked through to the bottom; files that are named themselves count as photos
    whatever their suffix. Raises BatchError for a place that isn't there, or if there are none.
    """
    found: dict[str, Address] = {}
    for place in places:
        for address in (stored_at if is_url(place) else local_at)(place):
            found[address.name] = address
    if not found:
        where = Place("; ".join(places)[:200])
        raise BatchError("no_photos_here", place=where, suffixes=tuple(SUFFIXES))
    return [found[name] for name in sorted(found)]


def local_at(place: str) -> Iterator[Address]:
    """Yield the photos of a file or folder of this machine. Raises BatchError."""
    path = Path(place)
    if not path.exists():
        raise BatchError("no_such_folder", place=Place(place))
    inside = path.rglob("*") if path.is_dir() else iter([path])
    for file in inside:
        if path.is_dir() and (file.suffix.lower() not in SUFFIXES or hidden(file, path)):
            continue
        if file.is_file():
            told = file.stat()
            yield Address(str(file), told.st_size, str(told.st_mtime_ns), str(Path.cwd()))


def hidden(file: Path, folder: Path) -> bool:
    """Whether a file or a folder above it, within the one asked for, is a hidden one."""
    return any(part.startswith(".") for part in file.relative_to(folder).parts)


def stored_at(place: str) -> Iterator[Address]:
    """Yield the photos of an object store. Raises BatchError."""
    files, path = filesystem(place)
    try:
        listed = files.find(path, detail=True)
    except troubles() as error:
        reason = one_line(error)
        raise BatchError("place_unreadable", place=Place(place), reason=reason) from None
    if not listed:
        raise BatchError("no_such_folder", place=Place(place))
    for name, told in listed.items():
        if Path(name).suffix.lower() in SUFFIXES and not Path(name).name.startswith("."):
            tags = ("ETag", "etag", "md5", "LastModified", "mtime", "created")
            stamp = next((str(told[tag]) for tag in tags if told.get(tag)), "")
            yield Address(files.unstrip_protocol(name), int(told.get("size") or 0), stamp)


def digest_of(photos: Sequence[Address]) -> str:
    """Return a hash of which photos there are, their sizes and stamps."""
    total = hashlib.sha256()
    for photo in photos:
        total.update(f"{photo.name}\0{photo.size}\0{photo.stamp}\n".encode("utf-8", "replace"))
    return total.hexdigest()


def open_at(address: Address) -> Photo:
    """Decode a photo wherever it lies; what a net does to it is tried again.

    Raises PhotoError for whatever can't be read in full.
    """
    if address.size > MOST_BYTES:
        raise PhotoError("photo_too_heavy", megabytes=address.size / 1e6, most=MOST_BYTES / 1e6)
    name = address.name.rpartition("/")[2]
    for attempt in range(TRIES):
        try:
            data = bytes_at(address)
        except (FileNotFoundError, IsADirectoryError):
            raise PhotoError("no_such_photo") from None
        except troubles() as error:
            if attempt == TRIES - 1:
                reason = " ".join(str(error).split())[:120]
                raise PhotoError("photo_unreachable", tries=TRIES, reason=reason) from None
            time.sleep(PAUSE * 2**attempt)
        else:
            return read_photo(name, io.BytesIO(data))
    raise AssertionError("unreachable")


def bytes_at(address: Address) -> bytes:
    """Return a photo's bytes. Raises OSError."""
    if not is_url(address.name):
        return Path(address.folder, address.name).read_bytes()
    files, path = filesystem(address.name)
    data: bytes = files.cat_file(path)
    return data
