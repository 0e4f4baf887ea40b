"""The model's reading of every kept photo that it hasn't read yet; broken off, it goes on there."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from classifier.photo import Photo, PhotoError
from service.records.database import Store
from service.records.intake.decoding import picture_of
from service.records.photo_files import place
from service.records.readings import row_from_reading
from service.records.tables import PhotoRow, ReadingRow
from service.wording.sentences import Message

if TYPE_CHECKING:
    from classifier.reader import Reader

BATCH = 16
TURN = threading.Lock()  # one batch is read at a time: each takes memory and all cores
MOST_AT_ONCE = 40_000_000  # pixels of a batch, three bytes each


def to_read(session: Session, model: str, only: Iterable[str] | None = None) -> list[PhotoRow]:
    """Photos without a reading by this model, oldest first."""
    # Correlated, so that each photo is looked up by the index: NOT IN would gather all readings.
    done = exists().where(ReadingRow.photo_sha256 == PhotoRow.sha256, ReadingRow.by == model)
    query = select(PhotoRow).where(~done).order_by(PhotoRow.id)
    if only is not None:
        query = query.where(PhotoRow.sha256.in_(list(only)))
    return list(session.scalars(query))


def read_pending(
    store: Store,
    reader: Reader,
    only: Iterable[str] | None = None,
    told: Callable[[int], None] = lambda _: None,
) -> list[Message]:
    """Read what this model hasn't read; returns complaints about photos that can't be opened.

    Photos are decoded and read outside of any transaction; each batch is entered in one.
    """
    with store.reading() as session:
        rows = to_read(session, reader.card.model, only)
    complaints: list[Message] = []
    photos: list[tuple[PhotoRow, Photo]] = []
    for number, row in enumerate(rows, start=1):
        try:
            data = place(store.photos, row.sha256, row.suffix).read_bytes()
            photos.append((row, picture_of(row.name, data)))
        except OSError as error:
            why = PhotoError("photo_unreadable", reason=error.strerror or str(error))
            complaints.append(Message("photo_named", name=row.name, why=why))
        except PhotoError as error:
            complaints.append(Message("photo_named", name=row.name, why=error))
        pixels = sum(photo.image.width * photo.image.height for _, photo in photos)
        if len(photos) == BATCH or pixels > MOST_AT_ONCE or number == len(rows):
            enter_readings(store, reader, photos)
            photos = []
        told(1)
    return complaints


def enter_readings(store: Store, reader: Reader, photos: list[tuple[PhotoRow, Photo]]) -> None:
    """Read a batch and enter its readings in one transaction."""
    if not photos:
        return
    with TURN:
        readings = reader.read([photo for _, photo in photos])
    with store.writing(reader.card.model, Message("act_photos_read")) as session:
        ahead = {
            row.sha256 for row in to_read(session, reader.card.model, [r.sha256 for r, _ in photos])
        }
        for (row, _), reading in zip(photos, readings, strict=True):
            if row.sha256 in ahead:  # another process may have read it meanwhile
                answer = row_from_reading(reading, datetime.now(UTC), row.name)
                answer.photo_sha256 = row.sha256
                session.add(answer)
