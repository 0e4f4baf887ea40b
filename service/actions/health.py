"""Whether an installation is in order: what `doctor` looks at, one finding a line."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import platform
import shutil
import socket
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version

from sqlalchemy import func, select

from service.errors import Expected
from service.installation import open_store
from service.records.database import Store
from service.records.identity import foreign
from service.records.tables import ChangeRow
from service.settings import Settings
from service.wording.sentences import Coded, Message

LITTLE_DISK = 1_000_000_000  # bytes free below which a season of photos won't fit
EARLIEST = datetime(2025, 1, 1, tzinfo=UTC)  # no clock that is right shows an earlier day
SHOWN = ("combwright", "onnxruntime", "numpy", "pillow", "sqlalchemy", "fastapi", "torch")
OPTIONAL = ("torch",)  # what an installation does without, but for explaining and training


@dataclass(frozen=True)
class Finding:
    """Something looked at: whether it is as it should be, and what was found."""

    what: str
    good: bool
    said: Coded


def examine(settings: Settings, port: int) -> list[Finding]:
    """Return what was found of an installation; nothing is changed but by opening it."""
    return [
        *versions(),
        *rights(settings),
        disk(settings),
        *database(settings),
        model(),
        listening(port),
    ]


def versions() -> Iterator[Finding]:
    """Tell the versions of Python and of what matters."""
    python = Message("plain", text=platform.python_version())
    yield Finding("python", sys.version_info >= (3, 11), python)
    for name in SHOWN:
        try:
            yield Finding(name, True, Message("plain", text=version(name)))
        except PackageNotFoundError:
            missing = "doctor_left_out" if name in OPTIONAL else "doctor_missing"
            yield Finding(name, name in OPTIONAL, Message(missing))
    for package in ("genetics", "classifier"):
        found = importlib.util.find_spec(package)
        place = os.path.dirname(found.origin) if found and found.origin else ""
        yield Finding(package, bool(place), Message("plain", text=place))


def rights(settings: Settings) -> Iterator[Finding]:
    """Tell whether the home folder can be written, and by whom else it can be read."""
    home = settings.home
    if not home.exists():
        yield Finding("home", True, Message("doctor_home_new", folder=str(home)))
        return
    writable = os.access(home, os.W_OK)
    said = Message("plain", text=str(home)) if writable else Message("doctor_home_read_only")
    yield Finding("home", writable, said)
    if os.name == "posix":
        closed = not home.stat().st_mode & 0o077
        yield Finding("rights", closed, Message("doctor_closed" if closed else "doctor_open"))


def disk(settings: Settings) -> Finding:
    """Tell how much room is left."""
    folder = settings.home if settings.home.exists() else settings.home.parent
    while not folder.exists():
        folder = folder.parent
    free = shutil.disk_usage(folder).free
    return Finding("disk", free > LITTLE_DISK, Message("doctor_disk", gigabytes=free / 1e9))


def database(settings: Settings) -> Iterator[Finding]:
    """Tell whether the records open, whose photos lie beside them, and whether the clock fits."""
    try:
        store = open_store(settings)
    except Expected as error:
        yield Finding("records", False, error)
        return
    try:
        kind = Message("doctor_records", kind=store.engine.dialect.name)
        yield Finding("records", True, kind)
        other = foreign(store)
        said = Message("doctor_photos_foreign" if other else "doctor_own")
        yield Finding("photos", not other, said)
        yield backups(store, settings)
        yield clock(store)
    finally:
        store.engine.dispose()


def backups(store: Store, settings: Settings) -> Finding:
    """Tell when the records were last backed up by themselves."""
    days = sorted(settings.backups.glob("day-*.zip")) if settings.backups.exists() else []
    if not days:
        with store.reading() as session:
            unused = session.scalar(select(ChangeRow.id).limit(1)) is None
        return Finding("backup", unused, Message("doctor_no_backup"))
    return Finding("backup", True, Message("plain", text=days[-1].stem.removeprefix("day-")))


def clock(store: Store) -> Finding:
    """Tell whether the clock is later than the last thing that was written down."""
    now = datetime.now(UTC)
    with store.reading() as session:
        last = session.scalar(select(func.max(ChangeRow.made)))
    good = now >= (last or EARLIEST) and now >= EARLIEST
    code = "doctor_clock" if good else "doctor_clock_back"
    return Finding("clock", good, Message(code, now=now.date()))


def model() -> Finding:
    """Tell whether the weights are those of their card."""
    from classifier.card import SHIPPED, WEIGHTS, load_card

    try:
        card = load_card()
        with (SHIPPED / WEIGHTS).open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except Expected as error:
        return Finding("model", False, error)
    except OSError as error:
        return Finding("model", False, Message("plain", text=str(error)))
    good = found == card.document["weights"]["sha256"]
    code = "doctor_model" if good else "doctor_model_changed"
    return Finding("model", good, Message(code, model=card.model, sha256=found[:12]))


def listening(port: int) -> Finding:
    """Tell whether the port of the pages is free."""
    with socket.socket() as probe:
        taken = probe.connect_ex(("127.0.0.1", port)) == 0
    code = "doctor_port_taken" if taken else "doctor_port_free"
    return Finding("port", not taken, Message(code, port=port))
