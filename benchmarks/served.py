"""A server of its own for benchmarks: `combwright serve` on a fresh home, and what it takes."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import httpx

from service.settings import Settings
from tests.conftest import DEMO, ROOT


@dataclass(frozen=True)
class Served:
    """A running server."""

    url: str
    home: Path
    process: subprocess.Popen[bytes]

    def memory(self) -> int:
        """Return the bytes that the server and its children hold together (resident)."""
        return sum(resident(pid) for pid in family(self.process.pid))


def family(pid: int) -> list[int]:
    """Return a process and all that come from it."""
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            for child in task.read_text().split():
                found += family(int(child))
        except OSError:
            continue
    return found


def resident(pid: int) -> int:
    """Return the resident bytes of a process, 0 if it is gone."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except (OSError, ValueError):
        return 0
    return pages * os.sysconf("SC_PAGE_SIZE")


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running(settings: Settings, log: IO[bytes] | None = None) -> Iterator[Served]:
    """Provide a server on a store, in a process of its own."""
    port = free_port()
    environment = {
        **os.environ,
        "COMBWRIGHT_HOME": str(settings.home),
        "COMBWRIGHT_DATABASE": settings.database,
    }
    command = [sys.executable, "-m", "service.cli", "serve", "--port", str(port)]
    process = subprocess.Popen(command, env=environment, cwd=ROOT, stdout=log, stderr=log)
    url = f"http://127.0.0.1:{port}"
    try:
        wait_for(url, process)
        yield Served(url, settings.home, process)
    finally:
        process.terminate()
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()


@contextmanager
def served(home: Path, photos: int = 0) -> Iterator[Served]:
    """Provide a server with the demo's birds and some of its photos."""
    settings = Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")
    with (home / "server.log").open("wb") as log, running(settings, log) as server:
        with httpx.Client(base_url=server.url, timeout=120) as client:
            data = (DEMO / "flock.csv").read_bytes()
            answer = client.post("/api/v1/birds", files={"file": ("flock.csv", data)})
            answer.raise_for_status()
            for photo in sorted(DEMO.glob("*.jpg"))[:photos]:
                files = {"file": (photo.name, photo.read_bytes())}
                client.post("/api/v1/photos", files=files).raise_for_status()
        yield server


def wait_for(url: str, process: subprocess.Popen[bytes]) -> None:
    """Wait until a server answers."""
    end = time.monotonic() + 120
    while time.monotonic() < end:
        if process.poll() is not None:
            raise RuntimeError("the server has ended")
        try:
            httpx.get(f"{url}/health", timeout=2).raise_for_status()
        except httpx.HTTPError:
            time.sleep(0.3)
        else:
            return
    raise RuntimeError("the server doesn't answer")
