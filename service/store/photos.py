"""Photos on disk, named by the SHA-256 of their bytes: written, synced, then renamed."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path


def place(folder: Path, sha256: str, suffix: str) -> Path:
    """Where a photo lies."""
    return folder / sha256[:2] / f"{sha256}{suffix}"


def keep(folder: Path, data: bytes, suffix: str) -> str:
    """Keep the bytes of a photo and return their SHA-256; nothing happens if it is there."""
    sha256 = hashlib.sha256(data).hexdigest()
    target = place(folder, sha256, suffix)
    if target.exists():
        return sha256
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with temporary.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)
    return sha256
