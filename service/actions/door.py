"""Who may knock: the names this machine answers to, and whether an account is needed."""

from __future__ import annotations

import contextlib
import ipaddress
import re
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from service.errors import UsageMistake

PATH = re.compile(r"(/[A-Za-z0-9._~-]+)+")
LOOPBACK = ("localhost", "127.0.0.1", "[::1]", "::1")


@dataclass(frozen=True)
class Door:
    """How the pages are reached."""

    accounts: bool = False
    """Whether nobody comes in without an account; always so beyond the machine itself."""
    hosts: tuple[str, ...] = LOOPBACK
    """Names and addresses that a request may be for."""
    port: int = 8000
    secure: bool = False
    """Whether it speaks TLS itself."""
    authority: Path | None = None
    """Certificate of this machine's own authority, if it made one."""
    root: str = ""
    """Path that the pages are served under, such as /comb."""

    @property
    def addresses(self) -> list[str]:
        """Addresses that a phone may use, the likeliest first."""
        scheme = "https" if self.secure else "http"
        far = [host for host in self.hosts if host not in LOOPBACK]
        return [f"{scheme}://{host}:{self.port}{self.root}" for host in (far or ["localhost"])]


def is_loopback(host: str) -> bool:
    """Whether an address is the machine itself and nothing else.

    >>> is_loopback("127.0.0.1"), is_loopback("localhost"), is_loopback("0.0.0.0")
    (True, True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def own_names() -> list[str]:
    """Names and addresses of this machine on its networks, addresses first."""
    found = []
    # Nothing is sent: this only asks which address would be used.
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737)
        found.append(probe.getsockname()[0])
    name = socket.gethostname()
    with contextlib.suppress(OSError):
        found += [str(entry[4][0]) for entry in socket.getaddrinfo(name, None)]
    literal = [f"[{a}]" if ":" in a else a for a in found]
    plain = [a for a in found if ":" in a]
    return list(dict.fromkeys([*literal, *plain, name, name.split(".")[0], f"{name}.local"]))


def door_for(host: str, port: int, names: Sequence[str], secure: bool, root: str = "") -> Door:
    """Return the door of a server that listens on `host`; `names` are public names given to it."""
    if is_loopback(host) and not names:
        return Door(port=port, secure=secure, root=root)
    everywhere = ("", "0.0.0.0", "::")  # noqa: S104  (compared with, not bound to)
    own = [] if host in everywhere else [host]
    hosts = tuple(dict.fromkeys([*names, *own, *own_names(), *LOOPBACK]))
    return Door(True, hosts, port, secure, root=root)


def root_path(text: str) -> str:
    """Return a path as it was typed, without its last slash. Raises UsageMistake.

    >>> root_path("/comb/"), root_path("/")
    ('/comb', '')
    """
    path = text.rstrip("/")
    if path and (not PATH.fullmatch(path) or "/." in path):
        raise UsageMistake("bad_root_path", path=text)
    return path
