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

from service.errors import StoreError
from service.wording.sentences import Coded, Message, as_data

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


def explain_database_error(error: Exception) -> StoreError:
    """Return a database's complaint as ours."""
    low = str(getattr(error, "orig", None) or error).lower()
    code = next((ours for sign, ours in COMPLAINTS.items() if sign in low), "records_unusable")
    return StoreError(code, reason=" ".join(low.split())[:160])


def open_engine(url: str) -> Engine:
    """Return an engine by URL. Raises StoreError for a URL or folder that can't be used."""
    try:
        if url.startswith("sqlite:///"):
            Path(url.removeprefix("sqlite:///")).parent.mkdir(parents=True, exist_ok=True)
        if url.startswith("postgresql://"):
            url = url.replace("postgresql://", "postgresql+psycopg://", 1)
        engine = create_engine(url)
    except (ArgumentError, NoSuchModuleError) as error:
        raise StoreError("database_url", url=url, reason=str(error)) from None
    except ImportError:
        raise StoreError("postgres_not_installed") from None
    except OSError as error:
        raise StoreError("home_unwritable", reason=str(error)) from None
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
        raise explain_database_error(error) from None


@dataclass(frozen=True)
class Store:
    """The records and where their photos lie."""

    engine: Engine
    photos: Path
    sessions: sessionmaker[Session]
    held_families: dict[str, Any] = field(default_factory=dict)
    """By band, families held ready for the next reading (`service/answers/incremental.py`)."""

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Provide a session that sees one state of the records. Raises StoreError."""
        try:
            with self.sessions.begin() as session:
                yield session
        except (OperationalError, DatabaseError) as error:
            raise explain_database_error(error) from error

    @contextmanager
    def writing(self, by: str, act: Coded | str) -> Iterator[Session]:
        """Provide a session that alone writes; all it changed is one act on the trail.

        Committed at the end, or nothing of it. `by` is who does it, `act` what is done.
        """
        said = Message("act_words", text=act) if isinstance(act, str) else act
        bind = self.engine.execution_options(writes=True)
        try:
            with self.sessions.begin() as session:
                session.bind = bind
                session.info.update(by=by, said=as_data(said), act=uuid.uuid4().hex)
                session.connection()  # wait for other writers now, before anything is read
                yield session
        except (OperationalError, DatabaseError) as error:
            raise explain_database_error(error) from error
