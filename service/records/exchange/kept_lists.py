"""Lists that were brought and are being looked over before they are taken in.

They lie in a folder beside the records for a day or two, readable by their owner alone.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import time
from pathlib import Path

from service.errors import NotFound
from service.records.photo_files import write_whole

FOLDER, KEPT_DAYS, MOST_KEPT = "lists", 2, 40
TOKEN = re.compile(r"[0-9a-f]{32}")


def keep_list(home: Path, data: bytes, name: str) -> str:
    """Keep a list for the next pages; returns the token that it is found by. Raises StoreError."""
    folder = home / FOLDER
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    forget_old(folder)
    head = json.dumps({"name": name}).encode()
    content = head + b"\n" + data
    token = hashlib.sha256(content).hexdigest()[:32]
    write_whole(folder / token, content)
    return token


def kept_list(home: Path, token: str) -> tuple[bytes, str]:
    """Return a kept list and its name. Raises NotFound if it was never kept, or long ago."""
    if not TOKEN.fullmatch(token):
        raise NotFound("no_such_list")
    try:
        head, data = (home / FOLDER / token).read_bytes().split(b"\n", 1)
    except OSError:
        raise NotFound("no_such_list") from None
    return data, str(json.loads(head)["name"])


def forget_list(home: Path, token: str) -> None:
    """Forget a list that was taken in."""
    if TOKEN.fullmatch(token):
        with contextlib.suppress(OSError):
            (home / FOLDER / token).unlink(missing_ok=True)


def forget_old(folder: Path) -> None:
    """Forget lists that nobody took in for days, and the oldest where there are very many."""
    found = [(path.stat().st_mtime, path) for path in folder.iterdir() if path.is_file()]
    found.sort(reverse=True)
    too_old = time.time() - KEPT_DAYS * 86_400
    for place, (made, path) in enumerate(found):
        if made < too_old or place >= MOST_KEPT:
            with contextlib.suppress(OSError):
                path.unlink()
