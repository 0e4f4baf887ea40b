"""What each route needs and may bring, from `access.toml`; as a page for the docs.

python -m service.web.access_table > docs/access.md
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib import resources
from typing import Any

from starlette.routing import compile_path

from service.records.states import ROLES

ANYONE = "anyone"
READING = ("GET", "HEAD", "OPTIONS")


@cache
def document() -> dict[str, dict[str, Any]]:
    """Return the table as it is written."""
    text = resources.files(__package__).joinpath("access.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def patterns() -> tuple[tuple[str, re.Pattern[str], str], ...]:
    """Return method, path and role of every line, in order."""
    found = []
    for line, role in document()["access"].items():
        method, path = line.split(" ", 1)
        found.append((method, compile_path(path)[0], role))
    return tuple(found)


def role_for(method: str, path: str) -> str:
    """Return the role that a request needs; an owner's where no line fits.

    >>> role_for("GET", "/birds/17"), role_for("POST", "/birds/17/decisions")
    ('look', 'decide')
    """
    method = "GET" if method in READING else method
    for known, pattern, role in patterns():
        if known == method and pattern.match(path):
            return role
    # A page that isn't there is told to whoever may look; a write that isn't known to nobody else.
    return ROLES[0] if method == "GET" else ROLES[-1]


def most_bytes(method: str, path: str, file: int) -> int:
    """Return how many bytes a request may bring; `file` is the most that a photo may have."""
    sizes = document()["bytes"]
    found = sizes.get(f"{method} {path}", sizes["*"])
    return file + 100_000 if found == "file" else int(found)


def as_markdown() -> str:
    """Return the table for people."""
    head = ["anyone", *ROLES]
    lines = [
        "# Who may do what",
        "",
        "Beyond the machine itself every request is held against this table, which is made from",
        "`service/web/access.toml` (`python -m service.web.access_table > docs/access.md`).",
        "On the machine itself, where no account is needed, whoever sits there is the owner.",
        "",
        f"| route | {' | '.join(head)} |",
        f"| --- |{' --- |' * len(head)}",
    ]
    for line, role in document()["access"].items():
        least = head.index(role)
        marks = ["yes" if place >= least else "no" for place in range(len(head))]
        lines.append(f"| `{line}` | {' | '.join(marks)} |")
    lines += [
        "",
        "Whoever it is, a write is refused whose `Origin` is `null` or another host, which",
        "`Sec-Fetch-Site` calls `cross-site` or `same-site`, or whose `Host` is none of the",
        "machine's own names.",
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(as_markdown(), end="")
