"""An installation's records, opened with all that watches over them."""

from __future__ import annotations

from sqlalchemy.orm import sessionmaker

from service.answers.queue import watch_piles
from service.records.audit_log import watch
from service.records.database import Store, open_engine, upgrade
from service.records.intake import near_duplicates as near_duplicates  # indexes what is entered
from service.settings import Settings


def open_store(settings: Settings) -> Store:
    """Return the store of an installation, with its tables up to date. Raises StoreError."""
    engine = open_engine(settings.database)
    upgrade(engine)
    sessions = sessionmaker(engine, expire_on_commit=False)
    watch(sessions)
    watch_piles(sessions)
    return Store(engine, settings.photos, sessions)
