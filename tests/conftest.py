"""Fixtures that several tests share."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "demo_images"


class Run:
    """A finished run of the command line."""

    def __init__(self, done: subprocess.CompletedProcess[str]) -> None:
        self.code, self.out, self.err = done.returncode, done.stdout, done.stderr

    @property
    def lines(self) -> list[dict]:
        """JSON lines of the output."""
        return [json.loads(line) for line in self.out.splitlines()]


@pytest.fixture(scope="session")
def combwright():
    """Run `combwright` as a user would, in a process of its own."""

    def run(*arguments: object, cwd: Path | None = None) -> Run:
        command = [sys.executable, "-m", "service.cli", *map(str, arguments)]
        return Run(
            subprocess.run(command, capture_output=True, text=True, cwd=cwd or ROOT, timeout=300)
        )

    return run


@pytest.fixture(scope="session")
def reader():
    """The shipped reader, loaded once."""
    from classifier.reader import Reader

    return Reader()
