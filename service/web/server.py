"""The server: pages on uvicorn, with limits on connections, headers and what goes into the log."""

from __future__ import annotations

import asyncio
import inspect
import signal
import sys
from collections.abc import Callable, Sequence
from types import FrameType
from typing import TYPE_CHECKING, Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.supervisors import Multiprocess

from service.records.memory import share_arenas

if TYPE_CHECKING:
    from fastapi import FastAPI

CONNECTIONS = 200
HEADERS_WITHIN = 15.0  # seconds for a request's first line and headers
GRACE = 20  # seconds that requests under way are given when the server stops


class PatientProtocol(H11Protocol):
    """HTTP that doesn't wait for ever: a connection without a whole request is closed."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self.waits: asyncio.TimerHandle | None = self.loop.call_later(HEADERS_WITHIN, self.give_up)

    def handle_events(self) -> None:
        """Begin to wait anew with every request that came in full."""
        super().handle_events()
        if self.cycle is not None and self.waits is not None:
            self.waits.cancel()
            self.waits = None

    def give_up(self) -> None:
        """Close a connection on which no request has come."""
        if self.cycle is None and not self.transport.is_closing():
            self.transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the timer."""
        if self.waits is not None:
            self.waits.cancel()
        super().connection_lost(exc)


class Telling(uvicorn.Server):
    """A server that remembers what signal stopped it."""

    stopped_by: int | None = None

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Stop because of a signal."""
        self.stopped_by = sig
        super().handle_exit(sig, frame)


def settle_in() -> None:
    """Make a process ready to serve pages."""
    # Pages hand Python's lock over at every query; while photos are read, each time they would
    # wait 5 ms to get it back.
    sys.setswitchinterval(0.0005)
    share_arenas()


def several(config: uvicorn.Config, server: uvicorn.Server) -> Any:
    """Return the processes of a server that has several; earlier uvicorns are told what to run."""
    how: dict[str, Any] = {"sockets": [config.bind_socket()]}
    if "target" in inspect.signature(Multiprocess).parameters:
        how["target"] = server.run
    return Multiprocess(config, **how)


def serve(
    app: FastAPI | Callable[[], FastAPI],
    host: str,
    port: int,
    proxies: Sequence[str],
    workers: int = 1,
    **tls: Any,
) -> None:
    """Serve pages until they are stopped; what is under way is answered first.

    `proxies` are addresses from which it is believed for whom a request is forwarded. Several
    `workers` are processes behind one address, each with an application that `app` makes; one that
    dies is begun anew.
    """
    settle_in()
    config = uvicorn.Config(
        app,
        factory=workers > 1,
        workers=workers,
        host=host,
        port=port,
        http=PatientProtocol,
        ws="none",
        forwarded_allow_ips=",".join(proxies),
        log_config=None,
        access_log=False,
        server_header=False,
        limit_concurrency=CONNECTIONS,
        h11_max_incomplete_event_size=64_000,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=GRACE,
        **tls,
    )
    server = Telling(config)
    if workers > 1:
        several(config, server).run()
        return
    server.run()
    if server.stopped_by == signal.SIGINT:  # told again where uvicorn's own word got lost
        raise KeyboardInterrupt
