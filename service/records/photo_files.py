"""Photos on disk, named by the SHA-256 of their bytes: written, synced, then renamed.

A photo's file comes before its row. Between the two nothing but this module's lock tells a file
that is about to get its row from one that a crash left behind: writers share the lock, and
`sweep` takes it alone.
"""

from __future__ import annotations

import errno
import glob
import hashlib
import os
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from genetics.messages import Place
from service.errors import StoreError

PART = ".part"


def place(folder: Path, sha256: str, suffix: str) -> Path:
    """Where a photo lies."""
    return folder / sha256[:2] / f"{sha256}{suffix}"


def digest(data: bytes) -> str:
    """SHA-256 as hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def keep(folder: Path, data: bytes, suffix: str) -> str:
    """Keep the bytes of a photo and return their SHA-256; nothing happens if they are there.

    Raises StoreError if the disk is full or the folder read-only; nothing is left behind then.
    """
    sha256 = digest(data)
    target = place(folder, sha256, suffix)
    try:
        if target.is_file() and target.stat().st_size == len(data):
            return sha256
        if not target.parent.is_dir():
            target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            sync(folder)
        write_synced(target, data)
    except OSError as error:
        raise unkept(folder, error) from error
    return sha256


def write_synced(path: Path, data: bytes) -> None:
    """Write a file of our own, in full or not at all, for its owner alone. Raises OSError."""
    with draft_of(path) as draft:
        draft.write_bytes(data)


def write_or_tell(path: Path, data: bytes) -> None:
    """Write a file as `write_synced` does. Raises StoreError."""
    try:
        write_synced(path, data)
    except OSError as error:
        raise StoreError("not_kept", reason=error.strerror or str(error)) from None


@contextmanager
def draft_of(path: Path) -> Iterator[Path]:
    """Provide a draft beside a file, which takes the file's name once it is complete and synced.

    The one way in which files are written here: they are there in full or not at all, and for
    their owner alone. Drafts of the same file that a crash left behind are removed.
    """
    for left in path.parent.glob(f".{glob.escape(path.name)}.*{PART}"):
        if not running(left.name.removesuffix(PART).rpartition(".")[2]):
            left.unlink(missing_ok=True)
    draft = path.with_name(f".{path.name}.{os.getpid()}{PART}")
    try:
        os.close(os.open(draft, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600))
        yield draft
        with draft.open("rb+") as file:
            os.fsync(file.fileno())
        draft.replace(path)
        sync(path.parent)
    finally:
        draft.unlink(missing_ok=True)


def running(number: str) -> bool:
    """Whether a process by that number runs, as far as can be told."""
    if not number.isdecimal() or os.name != "posix":
        return True
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def write_whole(path: Path, data: bytes) -> None:
    """Write a file a user asked for, in full or not at all. Raises StoreError."""
    with whole_file(path) as draft:
        draft.write_bytes(data)


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """`draft_of` for a file a user asked for. Raises StoreError if it can't be written."""
    try:
        with draft_of(path) as draft:
            yield draft
    except OSError as error:
        reason = error.strerror or str(error)
        raise StoreError("file_unwritable", place=Place(str(path)), reason=reason) from error


def sync(folder: Path) -> None:
    """Make a rename in a folder last over a power cut, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def unkept(folder: Path, error: OSError) -> StoreError:
    """Why a photo couldn't be kept, in words."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return StoreError("disk_full_photo")
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return StoreError("photo_folder_read_only", folder=folder)
    return StoreError("photo_unkept", folder=folder, reason=error.strerror or str(error))


@contextmanager
def in_use(folder: Path, alone: bool = False) -> Iterator[bool]:
    """Hold the folder's lock, shared with other writers or alone; False if that is refused.

    Only `alone` can be refused: it doesn't wait.
    """
    try:
        import fcntl
    except ImportError:  # no such locks on Windows: never sweep there while anything may write
        yield not alone
        return
    if not alone and folder.is_dir() and not os.access(folder, os.W_OK):
        yield True  # nobody writes where nothing can be written
        return
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        file = folder.with_name(f"{folder.name}.lock").open("a")
    except OSError as error:
        raise unkept(folder, error) from error
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB if alone else fcntl.LOCK_SH)
        except OSError:
            yield False
            return
        yield True


def files(folder: Path) -> Iterator[Path]:
    """All files of the folder of photos."""
    for path in sorted(folder.glob("[0-9a-f][0-9a-f]/*")):
        if path.is_file():
            yield path


def strays(folder: Path, known: Collection[str]) -> list[Path]:
    """Files that belong to no kept photo: half written ones, and those without a row."""
    return [p for p in files(folder) if p.suffix == PART or p.name not in known]


def aside(folder: Path) -> Path:
    """Where files go that the records at hand don't know, within the folder of photos."""
    return folder / "aside"


@dataclass(frozen=True)
class Swept:
    """What a sweep did."""

    removed: int
    """Half-written files of our own."""
    moved: int
    """Whole files that the records don't know, now in the folder aside."""
    brought_back: int
    """Files that had been moved aside, which these records do know."""
    refused: bool = False
    """Nothing was done, since the folder belongs to other records."""


def sweep(folder: Path, known: Collection[str]) -> Swept:
    """Remove half-written files and move strays aside; the lock must be held alone.

    Only our own drafts are deleted. A whole photo that the records don't know may belong to other
    records (a database moved, or named wrongly), so it is never unlinked, and it comes back as
    soon as records that know it are opened.
    """
    removed = moved = back = 0
    away = aside(folder)
    for path in sorted(away.glob("*")):
        if path.name in known:
            target = folder / path.name[:2] / path.name
            if not target.exists():
                move(path, target)
                back += 1
    for path in strays(folder, known):
        if path.suffix == PART and path.name.startswith("."):
            path.unlink(missing_ok=True)
            removed += 1
        else:
            move(path, free_name(away / path.name))
            moved += 1
    return Swept(removed, moved, back)


def move(path: Path, target: Path) -> None:
    """Move a file within the home folder, so that the move lasts over a power cut."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        path.rename(target)
        sync(target.parent)
        sync(path.parent)
    except OSError as error:
        raise unkept(target.parent, error) from error


def free_name(path: Path) -> Path:
    """Return the path itself, or with a number where a file lies there already."""
    number, found = 1, path
    while found.exists():
        number += 1
        found = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return found
