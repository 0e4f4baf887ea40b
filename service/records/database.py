"""Opening the store: engine, migrations, sessions that read and sessions that write.

SQLite is embedded (write-ahead log, foreign keys, busy timeout); PostgreSQL is named by URL. One
session writes at a time: SQLite by `BEGIN IMMEDIATE`, PostgreSQL by an advisory lock, so that
what a writer has read stays true until it commits.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import (
    ArgumentError,
    DatabaseError,
    DataError,
    NoSuchModuleError,
    OperationalError,
    StatementError,
    TimeoutError,
)
from sqlalchemy.orm import Session, sessionmaker

from service.errors import Expected, Refusal, StoreError
from service.records.object_photos import ObjectPhotos, one_line
from service.records.photo_files import digest, keep, place
from service.wording.sentences import Coded, Message, as_data

MIGRATIONS = Path(__file__).parent / "migrations"
WRITERS = 7_262_811  # the advisory lock of PostgreSQL that writers hold; any number of our own
BUSY_MILLISECONDS = 10_000


# Connections of one process to PostgreSQL, which admits 100 in all as it comes: four processes fit.
# Whoever finds none free waits as long as for a writer's turn.
POOL = {"pool_pre_ping": True, "pool_size": 8, "max_overflow": 12, "pool_timeout": 30}

T = TypeVar("T")


def lots(values: Sequence[T], size: int = 500) -> Iterator[Sequence[T]]:
    """Values in lots: databases take a limited number of them in one statement.

    >>> list(lots('abcde', 2))
    ['ab', 'cd', 'e']
    """
    for start in range(0, len(values), size):
        yield values[start : start + size]


# What databases complain of, by a word of theirs, and our codes for it.
COMPLAINTS = {
    "locked": "records_locked",
    "readonly": "records_read_only",
    "disk is full": "disk_full",
    "unable to open": "records_not_opened",
    "not a database": "not_a_store",
    "malformed": "records_damaged",
    "connection": "no_database_server",
}


def reason_of(error: Exception) -> str:
    """Return what an error says in one short line; of a database's what its driver says."""
    return one_line(getattr(error, "orig", None) or error)


def explain_database_error(error: Exception) -> StoreError:
    """Return a database's complaint as ours."""
    low = str(getattr(error, "orig", None) or error).lower()
    code = next((ours for sign, ours in COMPLAINTS.items() if sign in low), "records_unusable")
    return StoreError(code, reason=reason_of(error).lower())


# What Python or a driver says of values that no column takes.
UNSTORABLE = (UnicodeEncodeError, OverflowError, DataError)


def file_of(url: str) -> Path | None:
    """Return the file of an SQLite store, None for others and for one in memory."""
    path = url.removeprefix("sqlite:///")
    return Path(path) if url.startswith("sqlite:///") and path and path != ":memory:" else None


def read_only(url: str) -> bool:
    """Whether records are there that can only be looked at."""
    file = file_of(url)
    if file is None or not file.exists():
        return False
    return not (os.access(file, os.W_OK) and os.access(file.parent, os.W_OK))


def open_engine(url: str) -> Engine:
    """Return an engine by URL. Raises StoreError for a URL or folder that can't be used.

    Files that it makes are for their owner alone; records that can't be written are opened to be
    looked at.
    """
    look_only, file = read_only(url), file_of(url)
    try:
        if file is not None and look_only:
            log = file.with_name(f"{file.name}-wal")
            still = "" if log.exists() and log.stat().st_size else "&immutable=1"
            url = f"sqlite:///file:{file.as_posix()}?mode=ro{still}&uri=true"
        elif file is not None:
            file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            make_for_owner(file)
        if url.startswith("postgresql://"):
            url = url.replace("postgresql://", "postgresql+psycopg://", 1)
        engine = create_engine(url, **({} if url.startswith("sqlite") else POOL))
    except (ArgumentError, NoSuchModuleError) as error:
        raise StoreError("database_url", url=url, reason=str(error)) from None
    except ImportError:
        raise StoreError("postgres_not_installed") from None
    except (OSError, ValueError) as error:
        raise StoreError("home_unwritable", reason=str(error)) from None
    if engine.dialect.name == "sqlite":

        @event.listens_for(engine, "connect")
        def pragmas(connection: Any, _: Any) -> None:
            connection.isolation_level = None  # transactions are begun below, not by the driver
            cursor = connection.cursor()
            cursor.execute(f"PRAGMA busy_timeout={BUSY_MILLISECONDS}")
            if not look_only:
                cursor.execute("PRAGMA journal_mode=WAL")
                cursor.execute("PRAGMA synchronous=FULL")
            cursor.execute("PRAGMA foreign_keys=ON")
            cursor.close()

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        if engine.dialect.name == "sqlite":
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
        elif writes:
            connection.execute(text(f"SELECT pg_advisory_xact_lock({WRITERS})"))

    return engine


def make_for_owner(file: Path) -> None:
    """Make an empty file for its owner alone, if there is none. Raises OSError.

    One that is there is never opened: closing a file drops all locks that a process has on it
    (fcntl(2)), those of its open databases too. Another process that closes the same records would
    then take itself for the last one and throw away the log that this one still writes into.
    """
    if file.exists():
        return
    with suppress(FileExistsError):
        os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))


def upgrade(
    engine: Engine,
    look_only: bool = False,
    before: Callable[[Connection, str], None] = lambda connection, revision: None,
) -> None:
    """Bring the tables to the newest migration; two processes at once do it one after the other.

    `before` is called with records of an older version before they are migrated. Raises StoreError
    for those of a newer version, and for older ones that can't be written.
    """
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    script = ScriptDirectory.from_config(config)
    newest = script.get_current_head()
    with explained():
        with engine.connect() as connection:
            revision = MigrationContext.configure(connection).get_current_revision()
        if revision == newest:
            return  # without waiting for writers
        if revision not in (None, *(r.revision for r in script.walk_revisions())):
            raise StoreError("records_newer", revision=revision)
        if look_only:
            raise StoreError("records_read_only")
        with engine.execution_options(writes=True).connect() as connection:
            if engine.dialect.name == "sqlite":
                # Tables are rebuilt by copying, which foreign keys would take for a loss.
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            revision = MigrationContext.configure(connection).get_current_revision()
            if revision is not None and revision != newest:
                before(connection, revision)
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            connection.commit()
            if engine.dialect.name == "sqlite":
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA foreign_keys=ON")
                connection.exec_driver_sql("BEGIN")


# What Python makes of a date or time that a damaged file holds.
ILL_DATED = (
    "isoformat string",
    "parse date string",
    "parse datetime string",
    "out of range for month",
    "must be in ",
    "is out of range",
)


@contextmanager
def explained() -> Iterator[None]:
    """Let what a database or its driver complains of be told as ours."""
    try:
        yield
    except Expected:  # errors of ours, whatever Python's kind they are of
        raise
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise StoreError("records_damaged", reason=reason_of(error)) from error
    except UNSTORABLE as error:
        raise Refusal("text_unusable") from error
    except ValueError as error:
        if any(sign in str(error) for sign in ILL_DATED):
            raise StoreError("records_damaged", reason=reason_of(error)) from error
        raise
    except TimeoutError as error:  # no connection came free
        raise StoreError("records_locked", reason=reason_of(error)) from error
    except (OperationalError, DatabaseError) as error:
        raise explain_database_error(error) from error
    except StatementError as error:  # a value that a column's type doesn't take
        if isinstance(error.orig, (*UNSTORABLE, ValueError, TypeError)):
            raise Refusal("text_unusable") from error
        raise


@dataclass(frozen=True)
class Store:
    """The records and where their photos lie."""

    engine: Engine
    photos: Path
    sessions: sessionmaker[Session]
    held_families: dict[str, Any] = field(default_factory=dict)
    """By band, families held ready for the next reading (`service/answers/incremental.py`)."""

    look_only: bool = False
    """Whether the records can only be looked at."""

    behind: ObjectPhotos | None = None
    """The object store whose photos the folder holds at hand; None where the folder is all."""

    def photo(self, sha256: str, suffix: str) -> Path:
        """Return where a photo lies, fetched if it isn't at hand; it may not be there.

        Raises StoreError where the object store fails, OSError if there is no room.
        """
        path = place(self.photos, sha256, suffix)
        if self.behind is not None and not path.is_file():
            data = self.behind.get(path.name)
            if data is not None and digest(data) == sha256:
                keep(self.photos, data, suffix)
        return path

    def keep_photo(self, data: bytes, suffix: str) -> str:
        """Keep the bytes of a photo and return their SHA-256. Raises StoreError."""
        if self.behind is not None:
            self.behind.put(f"{digest(data)}{suffix}", data)
        return keep(self.photos, data, suffix)

    def has_photo(self, sha256: str, suffix: str) -> bool:
        """Whether a photo's file is there, wherever photos are kept."""
        if self.behind is not None:
            return self.behind.size(f"{sha256}{suffix}") is not None
        return place(self.photos, sha256, suffix).is_file()

    @property
    def backups(self) -> Path:
        """Folder of the backups that are made by themselves, beside that of the photos."""
        return self.photos.parent / "backups"

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Provide a session that sees one state of the records. Raises StoreError."""
        with explained(), self.sessions.begin() as session:
            yield session

    @contextmanager
    def writing(self, by: str, act: Coded | str) -> Iterator[Session]:
        """Provide a session that alone writes; all it changed is one act on the trail.

        Committed at the end, or nothing of it. `by` is who does it, `act` what is done.
        """
        if self.look_only:
            raise StoreError("records_read_only")
        said = Message("act_words", text=act) if isinstance(act, str) else act
        bind = self.engine.execution_options(writes=True)
        with explained(), self.sessions.begin() as session:
            session.bind = bind
            session.info.update(by=by, said=as_data(said), act=uuid.uuid4().hex)
            session.connection()  # wait for other writers now, before anything is read
            yield session
