"""Memory handed back to the system after work that took much of it."""

from __future__ import annotations

import ctypes
import sys
from functools import cache
from typing import Any

ARENAS = -8  # M_ARENA_MAX of glibc's mallopt


@cache
def library() -> Any:
    """Return glibc, None where there is another."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        found = ctypes.CDLL("libc.so.6")
        found.malloc_trim  # noqa: B018  (musl has none)
    except (OSError, AttributeError):
        return None
    return found


def give_back_memory() -> None:
    """Hand free memory back, which glibc keeps for each thread else."""
    if library() is not None:
        library().malloc_trim(0)


def share_arenas(most: int = 2) -> None:
    """Let threads share so many arenas of memory: forty keep hundreds of megabytes apart."""
    if library() is not None:
        library().mallopt(ARENAS, most)
