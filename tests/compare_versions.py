"""Compare what two checkouts say of the demo flock: command line, JSON, pages, in two languages.

    python -m tests.compare_versions OLD_CHECKOUT [--keep DIR]

Runs the same commands and asks the same pages in both, and lists what differs. Keys that only the
new one has are named once; everything else that differs is printed. Both need to be runnable by
this Python (`python -m service.cli` in their folder).
"""

from __future__ import annotations

import argparse
import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.conftest import ROOT

DAY = "2026-10-04"
BIRDS = ("1", "17", "25", "33", "46")
FLOCK = ("demo_images/flock.csv", "--on", DAY, "--json")
COMMANDS = {
    "candidates": ("candidates", *FLOCK),
    "read": ("read", *(f"demo_images/{n}.jpg" for n in (1, 2, 25, 31, 33, 45, 50)), "--json"),
    "cross": ("cross", "R/r+ P/p+", "r+/r+ p+/p+", "--json"),
    "plan": ("plan", *FLOCK),
    "test-mating": ("test-mating", "R/? P/?", "--json", "--scored", "walnut=3"),
    "import": ("import", "demo_images/flock.csv", "--json"),
    "intake": ("intake", "demo_images", "--json"),
    "pen": ("note", "pen", "Orchard", "--bird", "1", "--bird", "2", "--since", "2024-12-01"),
    "hatch": ("note", "hatch", "March", "--pen", "Orchard", "--hatched", "2025-03-22"),
    "sighting": ("note", "sighting", "25", "--crest", "yes", "--on", DAY),
    **{f"opinion {b}": ("opinion", b, "--on", DAY, "--json") for b in BIRDS},
}
PAGES = (
    *(f"/api/v1/birds/{band}" for band in BIRDS),
    *(f"/api/v1/birds/{band}/opinion" for band in BIRDS),
    "/api/v1/flock",
    "/api/v1/sort",
    "/api/v1/birds",
    *(f"/birds/{band}" for band in BIRDS),
    "/sort",
    "/flock",
    "/matings",
)


def said_by(tree: Path, home: Path) -> Iterator[tuple[str, Any]]:
    """What a checkout says, by what was asked: JSON where it is JSON, else text."""
    env = {**os.environ, "COMBWRIGHT_HOME": str(home)}
    cli = [sys.executable, "-m", "service.cli"]
    out = home.parent / f"{home.name}-report"
    subprocess.run(
        [*cli, "triage", "demo_images", "--flock", *FLOCK[:3], "--out", str(out)],
        cwd=tree, env=env, capture_output=True, check=False,
    )  # fmt: skip
    yield "triage.csv", (out / "triage.csv").read_text(encoding="utf-8")
    for name, words in COMMANDS.items():
        done = subprocess.run(
            [*cli, *words], cwd=tree, env=env, capture_output=True, text=True, check=False
        )
        lines = done.stdout.splitlines()
        yield name, [json.loads(line) if line[:1] in "[{" else line for line in lines]
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen([*cli, "serve", "--port", str(port)], cwd=tree, env=env)
    try:
        for _ in range(240):
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/static/mark.svg")
                break
            except OSError:
                time.sleep(0.5)
        time.sleep(8)  # answers are worked out again after the start
        for path in PAGES:
            for language in ("en", "de"):
                request = urllib.request.Request(
                    f"http://127.0.0.1:{port}{path}", headers={"Accept-Language": language}
                )
                with urllib.request.urlopen(request) as answer:
                    text = answer.read().decode()
                yield f"{path} ({language})", json.loads(text) if path[:5] == "/api/" else text
    finally:
        server.terminate()
        server.wait(20)


def differences(old: Any, new: Any, path: str = "") -> Iterator[str]:
    """What differs between two answers; keys that only the new one has are left out."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in old:
            if key not in new:
                yield f"{path}.{key}: gone"
            else:
                yield from differences(old[key], new[key], f"{path}.{key}")
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for number, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from differences(one, other, f"{path}[{number}]")
    elif isinstance(old, float) and isinstance(new, float):
        if abs(old - new) > 1e-6 * max(1, abs(old)):
            yield f"{path}: {old} -> {new}"
    elif isinstance(old, str) and isinstance(new, str) and "\n" in old:
        mine, theirs = (re.sub(r"<[^>]+>|[0-9a-f]{64}", " ", t).split() for t in (old, new))
        if mine != theirs:
            gone, come = set(mine) - set(theirs), set(theirs) - set(mine)
            yield f"{path}: words gone {sorted(gone)[:12]}, come {sorted(come)[:12]}"
    elif old != new:
        yield f"{path}: {str(old)[:160]!r} -> {str(new)[:160]!r}"


def main() -> None:
    """Compare another checkout with this one."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("old", type=Path)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        before = dict(said_by(args.old.resolve(), Path(folder) / "old"))
        after = dict(said_by(ROOT, Path(folder) / "new"))
    same = 0
    for name, old in before.items():
        found = list(differences(old, after[name]))
        same += not found
        for line in found[:12]:
            print(f"{name}{line}")
        if len(found) > 12:
            print(f"{name}: and {len(found) - 12} more")
    print(f"{same} of {len(before)} answers the same (but for keys that only the new one has)")


if __name__ == "__main__":
    main()
