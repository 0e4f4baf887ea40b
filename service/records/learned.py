"""Readers that learned from this flock, as they are kept, and which of them is in use."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from classifier.adaptation.change import Change
from classifier.adaptation.trial import Trial
from classifier.card import CardError
from service.errors import NotFound, Refusal, StoreError
from service.records.database import file_of, open_engine
from service.records.tables import ReaderRow
from service.settings import Settings
from service.wording.sentences import as_data

SHIPPED = "shipped"  # the name by which who learned from no flock is called


def learned_readers(session: Session) -> Sequence[ReaderRow]:
    """All readers that learned from the flock, the newest first."""
    return session.scalars(select(ReaderRow).order_by(ReaderRow.id.desc())).all()


def in_use(session: Session, base: str) -> ReaderRow | None:
    """Return the reader in use that stands on the shipped weights `base`; None for those alone."""
    query = select(ReaderRow).where(ReaderRow.in_use.is_(True), ReaderRow.base == base)
    return session.scalars(query.order_by(ReaderRow.id.desc()).limit(1)).first()


def reader_named(session: Session, name: str) -> ReaderRow:
    """Return a reader by its name. Raises NotFound."""
    row = session.scalar(select(ReaderRow).where(ReaderRow.name == name))
    if row is None:
        raise NotFound("no_such_reader", name=name)
    return row


def keep_reader(session: Session, trial: Trial, base: str, by: str) -> ReaderRow:
    """Keep what was learned with its trial; the same change is kept once."""
    name = trial.change.name
    row = session.scalar(select(ReaderRow).where(ReaderRow.name == name))
    content: dict[str, Any] = {
        "change": trial.change.as_data(),
        "report": trial.report,
        "against": as_data(trial.against),
    }
    if row is None:
        row = ReaderRow(name=name, base=base, in_use=False)
        session.add(row)
    row.made, row.by, row.better = datetime.now(UTC), by, trial.better
    row.content = content
    session.flush()
    return row


def use_reader(session: Session, name: str, base: str) -> None:
    """Let a reader read from now on, or the shipped one. Raises NotFound or Refusal."""
    chosen = None if name == SHIPPED else reader_named(session, name)
    if chosen is not None and not chosen.better:
        raise Refusal("reader_not_better", name=name)
    if chosen is not None and chosen.base != base:
        raise Refusal("reader_of_other_weights", name=name)
    for row in learned_readers(session):
        row.in_use = row is chosen


def change_of(row: ReaderRow | None) -> Change | None:
    """Return what a reader adds to the shipped one. Raises CardError if that is damaged."""
    return Change.from_data(row.content.get("change", {})) if row is not None else None


def change_in_use(settings: Settings, base: str) -> Change | None:
    """Return what the reader in use adds, from records that may not be there and stay untouched.

    Records that can't be read, or are of a version without learned readers, have none; what was
    learned and is damaged isn't used.
    """
    file = file_of(settings.database)
    if file is not None and not file.exists():
        return None
    try:
        engine = open_engine(settings.database)
    except StoreError:
        return None
    try:
        with Session(engine) as session:
            return change_of(in_use(session, base))
    except SQLAlchemyError:
        return None
    except CardError as error:
        logging.getLogger(__name__).warning("the shipped reader reads: %s", error)
        return None
    finally:
        engine.dispose()
