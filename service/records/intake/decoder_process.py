"""The process that decodes photos: it may take so much memory and no more, and knows nothing else.

Started as `python -m service.records.intake.decoder_process BYTES`; questions come and answers go
as frames (`frames`), so that nothing which a broken decoder might say is ever run.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any


def limit_memory(most: int) -> None:
    """Let this process have so many bytes and no more, where the system can hold it to that."""
    try:
        import resource
    except ImportError:  # Windows
        return
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def address_space() -> int:
    """Return how many bytes of addresses this process has; a guess where that isn't told."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        return pages * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, AttributeError):
        return 1_500_000_000


def main() -> None:
    """Answer questions until nobody asks any more."""
    from classifier.photo import PhotoError
    from service.records.intake.frames import read_frame, write_frame
    from service.records.intake.preparing import JOBS
    from service.records.memory import give_back_memory

    ask, answer = sys.stdin.buffer, sys.stdout.buffer
    sys.stdout = sys.stderr  # what a library prints isn't an answer
    warm_up()
    base = address_space()
    limit_memory(base + int(sys.argv[1]))
    while (question := read_frame(ask)) is not None:
        said, data = question
        try:
            found, bytes_found = JOBS[said["job"]](said, data)
            reply: dict[str, Any] = {"answer": found}
        except PhotoError as error:
            reply, bytes_found = {"error": [error.code, dict(error.values)]}, b""
        except MemoryError:
            reply, bytes_found = {"error": ["photo_too_costly", {}]}, b""
        except Exception as error:  # a decoder may raise anything over what it is fed
            reason = f"{type(error).__name__}: {error}"[:120]
            reply, bytes_found = {"error": ["photo_damaged", {"reason": reason}]}, b""
        del data, question, said
        give_back_memory()
        write_frame(answer, reply | {"held": address_space() - base}, bytes_found)
        del bytes_found


def warm_up() -> None:
    """Load what decoding needs, so that the limit counts photos alone."""
    import io

    import imagehash
    import pillow_heif
    import zxingcpp
    from PIL import Image

    small = Image.new("RGB", (64, 64))
    imagehash.phash(small)
    zxingcpp.read_barcodes(small.convert("L"))
    pillow_heif.register_heif_opener()
    for name in ("JPEG", "PNG", "WEBP", "TIFF", "HEIF"):
        out = io.BytesIO()
        small.save(out, name)
        Image.open(io.BytesIO(out.getvalue())).load()


if __name__ == "__main__":
    main()
