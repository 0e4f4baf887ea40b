"""Frames between the process that decodes and the one that asks: JSON, then bytes, each with its
length before it."""

from __future__ import annotations

import json
import struct
from typing import IO, Any

LENGTHS = struct.Struct(">QQ")
MOST_SAID = 1_000_000


def write_frame(to: IO[bytes], said: dict[str, Any], data: bytes = b"") -> None:
    """Write one frame."""
    text = json.dumps(said, default=str).encode()
    to.write(LENGTHS.pack(len(text), len(data)))
    to.write(text)
    to.write(data)
    to.flush()


def read_frame(of: IO[bytes], most: int = 2**40) -> tuple[dict[str, Any], bytes] | None:
    """Return one frame, None at the end. Raises ValueError for what is none."""
    head = of.read(LENGTHS.size)
    if not head:
        return None
    if len(head) < LENGTHS.size:
        raise ValueError("half a frame")
    said, size = LENGTHS.unpack(head)
    if said > MOST_SAID or size > most:
        raise ValueError("not a frame")
    text, data = of.read(said), of.read(size)
    if len(text) < said or len(data) < size:
        raise ValueError("half a frame")
    return json.loads(text), data
