"""Photos of the records in an object store, or any place that fsspec opens, behind the folder.

The folder of photos is then what is at hand on this machine: every photo is written to the store
first and fetched from there when it is asked for and isn't at hand. Several machines share one
store, each with a folder of its own. Nothing there is ever deleted or moved by a sweep.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from service.errors import StoreError, UsageMistake

MARK = "identity"


def one_line(error: Exception) -> str:
    """Return an error's words in one short line."""
    return " ".join(str(getattr(error, "strerror", None) or error).split())[:160]


def is_url(place: str) -> bool:
    """Whether a place is named by a URL such as s3://flock/photos."""
    return "://" in place


def filesystem(url: str) -> tuple[Any, str]:
    """Return the fsspec file system of a URL, and the path there. Raises UsageMistake."""
    try:
        import fsspec
    except ImportError:
        raise UsageMistake("needs_cluster", what=url.partition("://")[0]) from None
    try:
        return fsspec.url_to_fs(url)
    except (ImportError, ValueError) as error:  # a scheme whose own package is missing, or unknown
        raise UsageMistake("place_unknown", text=url, reason=one_line(error)) from None


def troubles() -> tuple[type[Exception], ...]:
    """Return what a store raises when it can't be reached or refuses."""
    try:
        from botocore.exceptions import BotoCoreError
    except ImportError:
        return (OSError,)
    return (OSError, BotoCoreError)


class ObjectPhotos:
    """Photos by name (SHA-256 and suffix). Raises StoreError where the store fails."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.files, path = filesystem(url)
        self.base = path.rstrip("/")

    def _path(self, name: str) -> str:
        return f"{self.base}/{name[:2]}/{name}" if name != MARK else f"{self.base}/{name}"

    def _failed(self, error: Exception) -> StoreError:
        return StoreError("photo_unkept", folder=self.url, reason=one_line(error))

    def put(self, name: str, data: bytes) -> None:
        """Keep a photo; nothing happens if it is there. An object is there as a whole or not."""
        try:
            if self.size(name) != len(data):
                self.files.makedirs(f"{self.base}/{name[:2]}", exist_ok=True)
                self.files.pipe_file(self._path(name), data)
        except troubles() as error:
            raise self._failed(error) from None

    def size(self, name: str) -> int | None:
        """Return how many bytes a photo has, None if it isn't there."""
        try:
            self.files.invalidate_cache()  # another machine may have put it there
            return int(self.files.info(self._path(name))["size"])
        except FileNotFoundError:
            return None
        except troubles() as error:
            raise self._failed(error) from None

    def get(self, name: str) -> bytes | None:
        """Return a photo's bytes, None if it isn't there."""
        try:
            data: bytes = self.files.cat_file(self._path(name))
        except FileNotFoundError:
            return None
        except troubles() as error:
            raise self._failed(error) from None
        return data

    def names(self) -> Iterator[str]:
        """Yield the names of all photos there."""
        try:
            self.files.invalidate_cache()
            found = self.files.find(self.base)
        except FileNotFoundError:
            return
        except troubles() as error:
            raise self._failed(error) from None
        for path in found:
            name = path.rpartition("/")[2]
            if re.match("[0-9a-f]{64}", name):
                yield name

    def mark(self) -> str:
        """Return the identity of the records whose photos these are, nothing where none is told."""
        data = self.get(MARK)
        if data is None:
            return ""
        text = data.decode("ascii", "replace").strip()
        return text if re.fullmatch("[0-9a-f]{32}", text) else "unreadable"

    def claim(self, identity: str) -> None:
        """Mark these as the photos of some records."""
        try:
            self.files.makedirs(self.base, exist_ok=True)
            self.files.pipe_file(self._path(MARK), f"{identity}\n".encode())
        except troubles() as error:
            raise self._failed(error) from None

    def settle(self, identity: str) -> bool:
        """Whether these are the photos of some records; an empty place is marked as theirs."""
        mark = self.mark()
        if not mark and next(self.names(), None) is None:
            self.claim(identity)
            return True
        return mark == identity
