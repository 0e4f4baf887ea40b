"""The folder or object store that a long reading writes into: parts, each in full or not at all."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from genetics.messages import Place
from service.errors import StoreError
from service.records.object_photos import filesystem, is_url, one_line, troubles
from service.records.photo_files import write_whole


class Shelf:
    """Files by name at one place. Raises StoreError for what can't be written or read."""

    def __init__(self, place: str) -> None:
        self.place = place if is_url(place) else str(Path(place).absolute())
        self.folder = None if is_url(place) else Path(self.place)
        if self.folder is not None and self.folder.exists() and not self.folder.is_dir():
            raise StoreError("file_unwritable", place=Place(place), reason="it is a file")

    def names(self) -> set[str]:
        """Return the names of all files that are there."""
        if self.folder is not None:
            return {path.name for path in self.folder.glob("*") if path.is_file()}
        files, path = filesystem(self.place)
        try:
            return {name.rpartition("/")[2] for name in files.find(path, maxdepth=1)}
        except troubles() as error:
            raise StoreError(
                "file_unwritable", place=Place(self.place), reason=one_line(error)
            ) from None

    def put(self, name: str, data: bytes) -> None:
        """Write a file, in full or not at all; the same again does no harm."""
        if self.folder is not None:
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                where = Place(self.place)
                raise StoreError("file_unwritable", place=where, reason=one_line(error)) from None
            write_whole(self.folder / name, data)
            return
        files, path = filesystem(self.place)
        try:
            files.pipe_file(f"{path.rstrip('/')}/{name}", data)  # an object is there as a whole
        except troubles() as error:
            where = Place(self.place)
            raise StoreError("file_unwritable", place=where, reason=one_line(error)) from None

    def get(self, name: str) -> bytes:
        """Return a file's bytes."""
        try:
            if self.folder is not None:
                return (self.folder / name).read_bytes()
            files, path = filesystem(self.place)
            data: bytes = files.cat_file(f"{path.rstrip('/')}/{name}")
        except troubles() as error:
            place = Place(f"{self.place}/{name}")
            raise StoreError("part_unreadable", place=place, reason=one_line(error)) from None
        return data

    def get_json(self, name: str) -> dict[str, Any]:
        """Return a file's object."""
        try:
            found = json.loads(self.get(name))
        except ValueError:
            found = None
        if not isinstance(found, dict):
            place = Place(f"{self.place}/{name}")
            raise StoreError("part_unreadable", place=place, reason="not JSON")
        return found
