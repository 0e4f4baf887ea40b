"""Opening the store: engine, pragmas, migrations."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import Engine, create_engine, event
from sqlalchemy.orm import Session, sessionmaker

MIGRATIONS = Path(__file__).parent / "migrations"


def open_engine(url: str) -> Engine:
    """An engine; SQLite gets WAL, foreign keys and a busy timeout."""
    if url.startswith("sqlite:///"):
        Path(url.removeprefix("sqlite:///")).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(url)
    if engine.dialect.name == "sqlite":

        @event.listens_for(engine, "connect")
        def pragmas(connection: Any, _: Any) -> None:
            cursor = connection.cursor()
            for line in ("journal_mode=WAL", "foreign_keys=ON", "busy_timeout=10000"):
                cursor.execute(f"PRAGMA {line}")
            cursor.close()

    return engine


def upgrade(engine: Engine) -> None:
    """Bring the tables to the newest migration."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def open_store(url: str) -> sessionmaker[Session]:
    """Sessions on an upgraded store."""
    engine = open_engine(url)
    upgrade(engine)
    return sessionmaker(engine, expire_on_commit=False)
