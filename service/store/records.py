"""Reading and writing records: birds from a flock list, photos with readings, corrections."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from classifier.reading import HeadBox, Reading, Wattles
from service.flock import COLUMNS, Bird, Flock, connected
from service.store.models import BirdRow, PhotoRow, ReadingRow

# Columns of flock.csv that a bird's row keeps as they are.
FIELDS = tuple(c for c in COLUMNS if c not in ("bird", "photo"))


def take_in(session: Session, flock: Flock) -> int:
    """Add or update the birds of a flock list; returns how many rows it had.

    All or nothing: raises FlockError if the birds that are kept don't fit the new ones.
    """
    for bird in flock.birds:
        row = session.scalar(select(BirdRow).where(BirdRow.band == bird.bird))
        if row is None:
            row = BirdRow(band=bird.bird)
            session.add(row)
        for field in FIELDS:
            setattr(row, field, getattr(bird, field))
    session.flush()
    kept_flock(session)
    return len(flock.birds)


def bird_named(session: Session, band: str) -> BirdRow:
    """The bird with a band, made if there is none."""
    row = session.scalar(select(BirdRow).where(BirdRow.band == band))
    if row is None:
        row = BirdRow(
            band=band,
            sire="",
            dam="",
            sex="",
            comb="",
            comb_by="",
            wattles="",
            genotype="",
            notes="",
        )
        session.add(row)
        session.flush()
    return row


def kept_flock(session: Session) -> Flock:
    """The kept birds as a flock; a person's correction of a photo stands for the list's comb."""
    rows = session.scalars(
        select(BirdRow)
        .order_by(BirdRow.id)
        .options(selectinload(BirdRow.photos).selectinload(PhotoRow.readings))
    ).all()
    birds = []
    for line, row in enumerate(rows, start=1):
        corrections = [r for p in row.photos for r in p.readings if r.person and r.comb]
        last = max(corrections, key=lambda r: r.id, default=None)
        values = {field: getattr(row, field) for field in FIELDS}
        if last:
            values |= {"comb": last.comb, "comb_by": last.by}
        birds.append(Bird(bird=row.band, line=line, **values))
    return connected(birds, "the records")


def kept_readings(session: Session) -> dict[str, list[Reading]]:
    """The newest model reading of every photo, by band."""
    rows = session.scalars(
        select(PhotoRow)
        .where(PhotoRow.bird_id.is_not(None))
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    ).all()
    found: dict[str, list[Reading]] = {}
    for photo in rows:
        reading = model_reading(photo)
        if reading and photo.bird:
            found.setdefault(photo.bird.band, []).append(reading)
    return found


def model_reading(photo: PhotoRow) -> Reading | None:
    """The newest reading of a photo by a model."""
    rows = [r for r in photo.readings if not r.person]
    return restored(rows[-1]) if rows else None


def person_comb(photo: PhotoRow) -> str:
    """The newest comb that a person gave a photo, or nothing."""
    rows = [r for r in photo.readings if r.person]
    return rows[-1].comb if rows else ""


def stored(reading: Reading, made: datetime) -> ReadingRow:
    """A model's reading as a row."""
    content = {
        "photo": reading.photo,
        "box": list(reading.head.box),
        "source": reading.head.source,
        "score": reading.head.score,
        "comb": list(reading.comb),
        "none_of_these": reading.none_of_these,
        "readable": reading.readable,
        "plausible": list(reading.plausible),
        "crest": reading.crest,
        "beard": reading.beard,
        "wattles": [reading.wattles.size, reading.wattles.why_not],
        "complaints": list(reading.complaints),
        "remarks": list(reading.remarks),
        "doubts": list(reading.doubts),
        "pile": reading.pile,
        "young": reading.young,
        "outline": [list(ring) for ring in reading.outline],
    }
    return ReadingRow(
        made=made, by=reading.model, person=False, comb=reading.proposal or "", content=content
    )


def restored(row: ReadingRow) -> Reading:
    """A row as the reading that it was."""
    c = row.content
    box = c["box"]
    return Reading(
        photo=c["photo"],
        head=HeadBox((box[0], box[1], box[2], box[3]), c["source"], c["score"]),
        comb=tuple(c["comb"]),
        none_of_these=c["none_of_these"],
        readable=c["readable"],
        plausible=tuple(c["plausible"]),
        crest=c["crest"],
        beard=c["beard"],
        wattles=Wattles(*c["wattles"]),
        complaints=tuple(c["complaints"]),
        remarks=tuple(c["remarks"]),
        model=row.by,
        doubts=tuple(c["doubts"]),
        pile=c["pile"],
        young=c.get("young", 0.0),
        outline=tuple(tuple((x, y) for x, y in ring) for ring in c.get("outline", ())),
    )
