"""Opening the store: engine, migrations, sessions that read and sessions that write.

SQLite is embedded (write-ahead log, foreign keys, busy timeout); PostgreSQL is named by URL. One
session writes at a time: SQLite by `BEGIN IMMEDIATE`, PostgreSQL by an advisory lock, so that
what a writer has read stays true until it commits.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import ArgumentError, DatabaseError, NoSuchModuleError, OperationalError
from sqlalchemy.orm import Session, sessionmaker

MIGRATIONS = Path(__file__).parent / "migrations"
WRITERS = 7_262_811  # the advisory lock of PostgreSQL that writers hold; any number of our own
BUSY_MILLISECONDS = 10_000


T = TypeVar("T")


def lots(values: Sequence[T], size: int = 500) -> Iterator[Sequence[T]]:
    """Values in lots: databases take a limited number of them in one statement.

    >>> list(lots('abcde', 2))
    ['ab', 'cd', 'e']
    """
    for start in range(0, len(values), size):
        yield values[start : start + size]


class StoreError(RuntimeError):
    """The store can't be used as asked; the message says why and what to do."""


TOLD = (
    ("locked", "the records are in use by another program; close it, or try again in a minute"),
    ("readonly", "the records can't be written: the file or its folder is read-only"),
    ("disk is full", "the disk is full; nothing was written. Make room and try again"),
    ("unable to open", "the records can't be opened: the folder is missing or may not be used"),
    ("not a database", "the file isn't a store of this program; restore a backup"),
    ("malformed", "the records are damaged; restore a backup"),
    ("connection", "the database server doesn't answer; start it or mend COMBWRIGHT_DATABASE"),
)


def told(error: Exception) -> StoreError:
    """A database's complaint in words that help."""
    low = str(getattr(error, "orig", None) or error).lower()
    for sign, words in TOLD:
        if sign in low:
            return StoreError(words)
    return StoreError(f"the records can't be used: {' '.join(low.split())[:160]}")


def open_engine(url: str) -> Engine:
    """An engine by URL. Raises StoreError for a URL or folder that can't be used."""
    try:
        if url.startswith("sqlite:///"):
            Path(url.removeprefix("sqlite:///")).parent.mkdir(parents=True, exist_ok=True)
        if url.startswith("postgresql://"):
            url = url.replace("postgresql://", "postgresql+psycopg://", 1)
        engine = create_engine(url)
    except (ArgumentError, NoSuchModuleError) as error:
        raise StoreError(f"COMBWRIGHT_DATABASE {url!r} can't be used: {error}") from None
    except ImportError:
        raise StoreError("PostgreSQL needs: pip install 'combwright[postgres]'") from None
    except OSError as error:
        raise StoreError(f"the records' folder can't be made: {error}") from None
    if engine.dialect.name == "sqlite":

        @event.listens_for(engine, "connect")
        def pragmas(connection: Any, _: Any) -> None:
            connection.isolation_level = None  # transactions are begun below, not by the driver
            cursor = connection.cursor()
            cursor.execute(f"PRAGMA busy_timeout={BUSY_MILLISECONDS}")
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


def upgrade(engine: Engine) -> None:
    """Bring the tables to the newest migration; two processes at once do it one after the other."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    newest = ScriptDirectory.from_config(config).get_current_head()
    try:
        with engine.connect() as connection:
            if MigrationContext.configure(connection).get_current_revision() == newest:
                return  # without waiting for writers
        with engine.execution_options(writes=True).connect() as connection:
            if engine.dialect.name == "sqlite":
                # Tables are rebuilt by copying, which foreign keys would take for a loss.
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            connection.commit()
            if engine.dialect.name == "sqlite":
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA foreign_keys=ON")
                connection.exec_driver_sql("BEGIN")
    except DatabaseError as error:
        raise told(error) from None


@dataclass(frozen=True)
class Store:
    """The records and where their photos lie."""

    engine: Engine
    photos: Path
    sessions: sessionmaker[Session]
    standing: dict[str, Any] = field(default_factory=dict)
    """By band, families held ready for the next reading (`service/answers/incremental.py`)."""

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session that sees one state of the records. Raises StoreError."""
        try:
            with self.sessions.begin() as session:
                yield session
        except (OperationalError, DatabaseError) as error:
            raise told(error) from error

    @contextmanager
    def writing(self, by: str, act: str) -> Iterator[Session]:
        """A session that alone writes; all it changed is one batch of the trail.

        Committed at the end, or nothing of it. `by` is who does it, `act` what, in words.
        """
        bind = self.engine.execution_options(writes=True)
        try:
            with self.sessions.begin() as session:
                session.bind = bind
                session.info.update(by=by, act=act, batch=uuid.uuid4().hex)
                session.connection()  # wait for other writers now, before anything is read
                yield session
        except (OperationalError, DatabaseError) as error:
            raise told(error) from error
