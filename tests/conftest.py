"""Fixtures that several tests share."""

from __future__ import annotations

import contextlib
import contextvars
import importlib.util
import io
import json
import os
import sys
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent
# What an installation without PyTorch can't do: training, explaining, and being held against it.
collect_ignore_glob = (
    []
    if importlib.util.find_spec("torch")
    else [
        "classifier/training/*",
        "classifier/test_network.py",
        "classifier/test_networks.py",
        "genetics/test_against_pgmpy.py",
    ]
)
DEMO = ROOT / "demo_images"


@dataclass(frozen=True)
class Run:
    """A finished run of the command line."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[dict[str, Any]]:
        """JSON lines of the output."""
        return [json.loads(line) for line in self.out.splitlines()]


@pytest.fixture(scope="session")
def combwright() -> Callable[..., Run]:
    """Run `combwright` as a user would, but in this process, so that torch is loaded once."""

    def run(*arguments: object, cwd: Path | None = None) -> Run:
        from genetics import numbers
        from service.cli import main

        out, err, before = io.StringIO(), io.StringIO(), Path.cwd()
        os.chdir(cwd or ROOT)
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                try:
                    contextvars.copy_context().run(main, [str(word) for word in arguments])
                    code = 0
                except SystemExit as ended:
                    code = ended.code if isinstance(ended.code, int) else 1
        finally:
            os.chdir(before)
            numbers.use({})
        return Run(code, out.getvalue(), err.getvalue())

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
    with own_database() as url:
        yield Settings(tmp_path / "home", url)


@pytest.fixture
def on_postgres(tmp_path):
    """An installation of its own on PostgreSQL, where a server for tests is named."""
    from service.settings import Settings

    if not os.environ.get(POSTGRES):
        pytest.skip(f"{POSTGRES} names no server")
    with own_database() as url:
        yield Settings(tmp_path / "home", url)


@contextlib.contextmanager
def own_database() -> Iterator[str]:
    """Provide an empty database on the server for tests, and drop it."""
    from sqlalchemy import create_engine, text

    server = os.environ[POSTGRES].replace("postgresql://", "postgresql+psycopg://", 1)
    name = f"test_{uuid.uuid4().hex[:12]}"
    admin = create_engine(server, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    try:
        yield f"{os.environ[POSTGRES].rsplit('/', 1)[0]}/{name}"
    finally:
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


@pytest.fixture
def bucket(monkeypatch):
    """A store that speaks S3 (moto's server), with one bucket."""
    moto = pytest.importorskip("moto.server")
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "testing")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    server = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
    import fsspec
    import httpx
    from s3fs import S3FileSystem

    httpx.post(f"http://{host}:{port}/moto-api/reset")
    S3FileSystem.clear_instance_cache()  # it knows the server of the test before
    files = fsspec.filesystem("s3")
    files.mkdir("flock")
    yield files
    S3FileSystem.clear_instance_cache()
    server.stop()


def docs_script(name: str) -> Any:
    """A script of `docs/`, which is no package, as a module."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "docs" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.path.insert(0, str(ROOT / "docs"))  # scripts there import each other
    try:
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(ROOT / "docs"))
    return module


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that hold most tests in a browser or marked slow."""

    def heavy(item: pytest.Item) -> bool:
        return any(item.get_closest_marker(name) for name in ("browser", "slow", "long"))

    weight = Counter(item.path for item in items if heavy(item))
    items.sort(key=lambda item: -weight[item.path])  # stable: within a file nothing moves
