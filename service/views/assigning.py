"""Photos whose bird isn't known yet, and the bands that they are likely to belong to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from service.records.tables import PhotoRow

FILLS = ("", "order", "labels")
# A photo taken so soon after another is most likely of the same bird, and one after such a pause
# of the next (assumptions).
SAME_BIRD, PAUSE = timedelta(minutes=3), timedelta(seconds=20)


@dataclass(frozen=True)
class Loose:
    """A photo without a bird, and the band that is suggested for it."""

    sha256: str
    name: str
    taken: datetime | None
    band: str


def count_loose(session: Session) -> int:
    """Return how many photos have no bird."""
    query = select(func.count(PhotoRow.id)).where(PhotoRow.bird_id.is_(None))
    return session.scalar(query) or 0


def loose_photos(session: Session, most: int, only: Sequence[str] = ()) -> list[PhotoRow]:
    """Return photos without a bird in the order in which they were taken; some by SHA-256."""
    query = select(PhotoRow).where(PhotoRow.bird_id.is_(None))
    if only:
        query = query.where(PhotoRow.sha256.in_(only))
    when = func.coalesce(PhotoRow.taken, PhotoRow.taken_in)
    return list(session.scalars(query.order_by(when, PhotoRow.id).limit(most)))


def in_order(photos: Sequence[PhotoRow], bands: Sequence[str], each: int) -> dict[str, str]:
    """Return bands for photos in their order, so many for each bird.

    With 0 for each, a pause of the camera's clock parts one bird from the next. Photos beyond the
    last band get none.
    """
    found: dict[str, str] = {}
    place, before = 0, None
    for number, photo in enumerate(photos):
        if each:
            place = number // each
        elif before is not None and (
            photo.taken is None or before.taken is None or photo.taken - before.taken > PAUSE
        ):
            place += 1
        before = photo
        if place < len(bands):
            found[photo.sha256] = bands[place]
    return found


def after_labels(session: Session, photos: Sequence[PhotoRow]) -> dict[str, str]:
    """Return for each photo the band of the photo taken shortly before it, where that is known.

    So it is if a leg-band label was photographed first, or one photo was given to its bird.
    """
    times = [photo.taken for photo in photos if photo.taken]
    if not times:
        return {}
    query = (
        select(PhotoRow)
        .where(PhotoRow.taken.is_not(None), PhotoRow.bird_id.is_not(None))
        .where(PhotoRow.taken >= min(times) - SAME_BIRD, PhotoRow.taken <= max(times))
        .options(selectinload(PhotoRow.bird))
    )
    known = [(row.taken, row.bird.band) for row in session.scalars(query) if row.bird and row.taken]
    moments = sorted([*known, *((t, "") for t in times)], key=lambda pair: (pair[0], not pair[1]))
    found: dict[datetime, str] = {}
    last: tuple[datetime, str] | None = None
    for moment, band in moments:
        if band:
            last = (moment, band)
        elif last and moment - last[0] <= SAME_BIRD:
            last = (moment, last[1])
            found[moment] = last[1]
    return {p.sha256: found[p.taken] for p in photos if p.taken and p.taken in found}


def suggested(
    session: Session, photos: Sequence[PhotoRow], fill: str, bands: Sequence[str], each: int
) -> list[Loose]:
    """Return photos with a band suggested for each, or none."""
    if fill == "order":
        found = in_order(photos, bands, each)
    else:
        found = after_labels(session, photos) if fill == "labels" else {}
    return [Loose(p.sha256, p.name, p.taken, found.get(p.sha256, "")) for p in photos]
