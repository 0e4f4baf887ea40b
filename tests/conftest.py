"""Fixtures that several tests share."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import uuid
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


def databases() -> list[str]:
    """SQLite, and PostgreSQL where a server for tests is named."""
    return ["sqlite", *(["postgres"] if os.environ.get(POSTGRES) else [])]


POSTGRES = "COMBWRIGHT_TEST_POSTGRES"


@pytest.fixture(params=databases())
def settings(request, tmp_path):
    """An installation of its own, on each kind of database."""
    from service.settings import Settings

    if request.param == "sqlite":
        yield Settings(tmp_path / "home", f"sqlite:///{tmp_path / 'home' / 'flock.sqlite3'}")
        return
    from sqlalchemy import create_engine, text

    server = os.environ[POSTGRES].replace("postgresql://", "postgresql+psycopg://", 1)
    name = f"test_{uuid.uuid4().hex[:12]}"
    admin = create_engine(server, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    url = f"{os.environ[POSTGRES].rsplit('/', 1)[0]}/{name}"
    yield Settings(tmp_path / "home", url)
    with admin.connect() as connection:
        connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    admin.dispose()


@pytest.fixture
def store(settings):
    """An empty store."""
    from service.installation import open_store

    opened = open_store(settings)
    yield opened
    opened.engine.dispose()
