"""An installation's records, opened with all that watches over them."""

from __future__ import annotations

import logging
from functools import partial

from sqlalchemy.orm import sessionmaker

from service.answers.queue import watch_piles
from service.records.audit_log import watch
from service.records.database import Store, open_engine, read_only, upgrade
from service.records.identity import identity_of, settle
from service.records.intake import near_duplicates as near_duplicates  # indexes what is entered
from service.records.kept_backups import copy_before_migration
from service.records.limits import watch_limits
from service.records.object_photos import ObjectPhotos
from service.records.verify import stored_files
from service.settings import Settings


def open_store(settings: Settings) -> Store:
    """Return the store of an installation, with its tables up to date. Raises StoreError.

    Records of an older version are copied before they are migrated.
    """
    look_only = read_only(settings.database)
    engine = open_engine(settings.database)
    try:
        upgrade(engine, look_only, partial(copy_before_migration, engine, settings.backups))
        sessions = sessionmaker(engine, expire_on_commit=False)
        watch_limits(sessions)
        watch(sessions)
        watch_piles(sessions)
        behind = ObjectPhotos(settings.photo_store) if settings.photo_store else None
        store = Store(engine, settings.photos, sessions, look_only=look_only, behind=behind)
        with store.reading() as session:
            identity = identity_of(session)
            settle(store.photos, identity, partial(stored_files, session))
            if behind is not None:
                behind.settle(identity)
    except BaseException:
        engine.dispose()
        raise
    protect(settings)
    return store


def protect(settings: Settings) -> None:
    """Leave the home folder to its owner alone, where that can be done."""
    try:
        if settings.home.is_dir() and settings.home.stat().st_mode & 0o077:
            settings.home.chmod(0o700)
    except OSError as error:
        logging.getLogger(__name__).warning("home not closed to others: %s", error.strerror)
