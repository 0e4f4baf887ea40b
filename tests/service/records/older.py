"""Records as an earlier version made them."""

from collections.abc import Iterator
from contextlib import contextmanager

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection

from service.records.database import MIGRATIONS, open_engine
from service.settings import Settings


@contextmanager
def tables_of(settings: Settings, revision: str) -> Iterator[Connection]:
    """Provide a connection to a store with the tables of a migration, to be filled."""
    engine = open_engine(settings.database)
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        yield connection
    engine.dispose()
