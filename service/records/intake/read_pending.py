"""The model's reading of every kept photo that it hasn't read yet; broken off, it goes on there."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import Select, exists, func, or_, select
from sqlalchemy.orm import Session

from classifier.adaptation.change import MARK
from classifier.photo import Photo, PhotoError
from service.records.database import Store
from service.records.intake.decoding import picture_of
from service.records.readings import row_from_reading
from service.records.tables import PhotoRow, ReadingRow
from service.wording.sentences import Message

if TYPE_CHECKING:
    from classifier.reader import Reader

BATCH = 16
TURN = threading.Lock()  # one batch is read at a time: each takes memory and all cores
MOST_AT_ONCE = 40_000_000  # pixels of a batch, three bytes each


def to_read(
    session: Session, model: str, only: Iterable[str] | None = None, *, again: bool = False
) -> list[PhotoRow]:
    """Photos that a model is to read, oldest first; `only` of some (SHA-256)."""
    query = unread(model, again).order_by(PhotoRow.id)
    if only is not None:
        query = query.where(PhotoRow.sha256.in_(list(only)))
    return list(session.scalars(query))


def count_to_read(session: Session, model: str, *, again: bool = False) -> int:
    """Return how many photos a model is to read."""
    query = select(func.count()).select_from(unread(model, again).subquery())
    return session.scalar(query) or 0


def unread(model: str, again: bool) -> Select[Any]:
    """Return the query for photos without a reading by this model or one on the same weights.

    With `again` those whose newest reading isn't by this very model.
    """
    # Correlated, so that each photo is looked up by the index: NOT IN would gather all readings.
    mine = ReadingRow.photo_sha256 == PhotoRow.sha256
    if again:
        newest = (
            select(func.max(ReadingRow.id))
            .where(mine, ReadingRow.person.is_(False))
            .correlate(PhotoRow)
            .scalar_subquery()
        )
        done = exists().where(ReadingRow.id == newest, ReadingRow.by == model)
    else:
        base = model.partition(MARK)[0]
        by_base = or_(ReadingRow.by == base, ReadingRow.by.startswith(base + MARK, autoescape=True))
        done = exists().where(mine, by_base)
    return select(PhotoRow).where(~done)


def read_pending(
    store: Store,
    reader: Reader,
    only: Iterable[str] | None = None,
    told: Callable[[int], None] = lambda _: None,
    *,
    again: bool = False,
) -> list[Message]:
    """Read what this model hasn't read; returns complaints about photos that can't be opened.

    With `again` also what an earlier reader on the same weights has read; its readings stay.

    Photos are decoded and read outside of any transaction; each batch is entered in one.
    """
    with store.reading() as session:
        rows = to_read(session, reader.card.model, only, again=again)
    complaints: list[Message] = []
    photos: list[tuple[PhotoRow, Photo]] = []
    for number, row in enumerate(rows, start=1):
        try:
            data = store.photo(row.sha256, row.suffix).read_bytes()
            photos.append((row, picture_of(row.name, data)))
        except OSError as error:
            why = PhotoError("photo_unreadable", reason=error.strerror or str(error))
            complaints.append(Message("photo_named", name=row.name, why=why))
        except PhotoError as error:
            complaints.append(Message("photo_named", name=row.name, why=error))
        pixels = sum(photo.image.width * photo.image.height for _, photo in photos)
        if len(photos) == BATCH or pixels > MOST_AT_ONCE or number == len(rows):
            enter_readings(store, reader, photos, again=again)
            photos = []
        told(1)
    return complaints


def enter_readings(
    store: Store, reader: Reader, photos: list[tuple[PhotoRow, Photo]], *, again: bool = False
) -> None:
    """Read a batch and enter its readings in one transaction."""
    if not photos:
        return
    with TURN:
        readings = reader.read([photo for _, photo in photos])
    with store.writing(reader.card.model, Message("act_photos_read")) as session:
        names = [row.sha256 for row, _ in photos]
        left = to_read(session, reader.card.model, names, again=again)
        ahead = {row.sha256 for row in left}
        for (row, _), reading in zip(photos, readings, strict=True):
            if row.sha256 in ahead:  # another process may have read it meanwhile
                answer = row_from_reading(reading, datetime.now(UTC), row.name)
                answer.photo_sha256 = row.sha256
                session.add(answer)
