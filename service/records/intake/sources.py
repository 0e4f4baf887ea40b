"""Where photos come from: a folder, single files, a ZIP archive that may be hostile."""

from __future__ import annotations

import hashlib
import re
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from classifier.photo import MOST_BYTES, SUFFIXES, PhotoError
from genetics.messages import Place
from service.errors import StoreError

MOST_FILES, MOST_TOTAL, MOST_RATIO = 20_000, 40_000_000_000, 200
CHUNK = 1 << 20


@dataclass(frozen=True)
class File:
    """A photo that waits: its name within the lot, and how to get its bytes."""

    name: str
    load: Callable[[], bytes]


def files_of(paths: Sequence[Path]) -> tuple[str, list[File]]:
    """Return name for the lot, and its photos in order. Raises StoreError for what isn't there."""
    found: list[File] = []
    for path in paths:
        if not path.exists():
            raise StoreError("no_such_file", place=Place(str(path)))
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if p.suffix.lower() in SUFFIXES)
            found += [
                File(p.relative_to(path).as_posix(), loader(p))
                for p in inside
                if p.is_file() and not any(part.startswith(".") for part in p.parts[-2:])
            ]
        elif path.suffix.lower() == ".zip" or zipfile.is_zipfile(path):
            found += members(path)
        else:
            found.append(File(path.name, loader(path)))
    names: dict[str, int] = {}
    unique = []
    for file in found:
        seen = names.get(file.name, 0)
        names[file.name] = seen + 1
        unique.append(File(f"{seen}/{file.name}" if seen else file.name, file.load))
    return "; ".join(map(name_of, paths)), unique


def name_of(path: Path) -> str:
    """Return a source by its own name and a sign of where it lies, which no export gives away."""
    where = hashlib.sha256(str(path.resolve()).encode("utf-8", "surrogateescape")).hexdigest()
    return f"{printable(path.resolve().name)} ({where[:8]})"


def printable(name: str) -> str:
    """Return a file's name as text that can be kept: what isn't UTF-8 or printable is a mark."""
    text = name.encode("utf-8", "replace").decode("utf-8")
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def without_folders(source: str) -> str:
    """Return a source as earlier versions wrote it, with its folders taken off.

    >>> without_folders("/home/ada/pen 3; /media/card/b.zip")
    'pen 3; b.zip'
    """
    return "; ".join(re.split(r"[/\\\\]", part)[-1] for part in source.split("; "))


def loader(path: Path) -> Callable[[], bytes]:
    """Return reads a file, refusing one that is too large."""

    def load() -> bytes:
        try:
            size = path.stat().st_size
            if size > MOST_BYTES:
                raise PhotoError(
                    "photo_too_heavy", megabytes=size / 1000000.0, most=MOST_BYTES / 1000000.0
                )
            return path.read_bytes()
        except OSError as error:
            raise PhotoError("photo_unreadable", reason=error.strerror or str(error)) from None

    return load


def members(path: Path) -> list[File]:
    """Photos in an archive. Sizes are checked while unpacking, not believed from its index."""
    try:
        with zipfile.ZipFile(path) as archive:
            infos = [i for i in archive.infolist() if not i.is_dir()]
    except Exception as error:  # the library raises whatever it meets
        raise StoreError("not_an_archive", place=Place(str(path)), reason=str(error)) from None
    if len(infos) > MOST_FILES:
        raise StoreError(
            "archive_too_many", place=Place(str(path)), files=len(infos), most=MOST_FILES
        )
    if sum(i.file_size for i in infos) > MOST_TOTAL:
        raise StoreError("archive_too_large", place=Place(str(path)), most=MOST_TOTAL // 10**9)
    found = []
    for info in infos:
        name = PurePosixPath(info.filename.replace("\\", "/"))
        parts = [p for p in name.parts if p not in ("/", "..", ".")]
        hidden = any(p.startswith((".", "__MACOSX")) for p in parts)
        if parts and not hidden and name.suffix.lower() in SUFFIXES:
            found.append(File("/".join(parts), unpacker(path, info)))
    return found


def unpacker(path: Path, info: zipfile.ZipInfo) -> Callable[[], bytes]:
    """Unpacks one member in memory, stopping where a bomb would go on."""

    def load() -> bytes:
        if info.flag_bits & 1:
            raise PhotoError("encrypted_member")
        most = min(MOST_BYTES, max(info.compress_size, 1) * MOST_RATIO)
        data = bytearray()
        try:
            with zipfile.ZipFile(path) as archive, archive.open(info) as file:
                while piece := file.read(CHUNK):
                    data += piece
                    if len(data) > most:
                        raise PhotoError("member_too_large")
        except PhotoError:
            raise
        except Exception as error:  # the library raises whatever it meets
            raise PhotoError("member_damaged", reason=str(error)) from None
        return bytes(data)

    return load
