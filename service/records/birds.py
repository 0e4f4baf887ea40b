"""Birds between the flock list and the store, and what the store knows of each for genetics."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session, selectinload

from classifier.reading import Reading
from service.flock.counts_csv import Counted
from service.flock.flock_csv import COLUMNS, OR, Bird, Flock, connect_parents
from service.flock.inference import variety_of
from service.records.database import lots
from service.records.readings import model_reading
from service.records.tables import (
    BirdRow,
    HatchRow,
    MatingRow,
    PenBirdRow,
    PhotoRow,
    SightingRow,
)

# Columns of flock.csv that a bird's row keeps under the same name, as they are.
FIELDS = tuple(c for c in COLUMNS if c not in ("bird", "photo"))
# Own columns that have a place of their own in a bird's row.
PLACED = ("variety", "status")
# Eggs hatch after three weeks, and hens lay fertile eggs for about two weeks after a mating
# (common practice, no source).
BROODING, STORED = timedelta(days=21), timedelta(days=14)


def take_in(session: Session, flock: Flock) -> int:
    """Add or update the birds of a flock list; returns how many rows it had.

    Columns that the list doesn't have stay as they are. All or nothing: raises FlockError if the
    birds that are kept don't fit the new ones.
    """
    listed = flock.birds[: flock.listed]
    rows = {
        row.band: row
        for some in lots([bird.bird for bird in listed])
        for row in session.scalars(select(BirdRow).where(BirdRow.band.in_(some)))
    }
    for bird in listed:
        row = rows.get(bird.bird)
        if row is None:
            row = blank(bird.bird)
            session.add(row)
        for field in set(FIELDS) & set(flock.columns):
            setattr(row, field, getattr(bird, field))
        if "photo" in flock.columns:
            row.photo = ";".join(bird.photos)
        extra = dict(bird.extra)
        for field in PLACED:
            setattr(row, field, extra.pop(field, getattr(row, field)))
        if extra != row.extra:
            row.extra = dict(row.extra) | extra
    session.flush()
    whole = stored_flock(session)
    for number in range(len(whole.birds)):
        variety_of(whole, number)
    return len(listed)


def stored_birds(session: Session) -> list[Bird]:
    """All kept birds as rows of a flock list, without what else is known of them."""
    rows = session.scalars(select(BirdRow).order_by(BirdRow.id))
    return [as_listed(row, line) for line, row in enumerate(rows, start=1)]


def blank(band: str) -> BirdRow:
    """Return a bird of which nothing is known but its band."""
    return BirdRow(
        band=band,
        sire="",
        dam="",
        sex="",
        comb="",
        comb_by="",
        wattles="",
        genotype="",
        notes="",
        variety="",
        status="",
        photo="",
        extra={},
    )


def bird_named(session: Session, band: str) -> BirdRow:
    """Return the bird with a band, made if there is none."""
    row = session.scalar(select(BirdRow).where(BirdRow.band == band))
    if row is None:
        row = blank(band)
        session.add(row)
        session.flush()
    return row


def as_listed(row: BirdRow, line: int = 0) -> Bird:
    """Return a kept bird as a row of the flock list."""
    values = {field: getattr(row, field) for field in FIELDS}
    extra = {k: str(v) for k, v in row.extra.items()}
    extra |= {k: getattr(row, k) for k in PLACED if getattr(row, k)}
    photos = tuple(p for p in row.photo.split(";") if p)
    return Bird(bird=row.band, line=line, photos=photos, extra=extra, **values)


def stored_flock(session: Session, bands: Iterable[str] | None = None) -> Flock:
    """Return the kept birds as a flock, or those of some bands, whose parents must be among them.

    Parents that the list leaves open are those that lived in the hatch's pen; sightings newer
    than the list stand for its crest, beard and wattles.
    """
    query = select(BirdRow)
    some = [query.where(BirdRow.band.in_(part)) for part in lots(list(bands or ()))]
    rows = [row for part in ([query] if bands is None else some) for row in session.scalars(part)]
    rows.sort(key=lambda row: row.id)
    pens = PenParents(session)
    seen = sightings(session, None if bands is None else [r.id for r in rows])
    birds = []
    for line, row in enumerate(rows, start=1):
        bird = as_listed(row, line)
        if row.hatch_id is not None and not (bird.sire and bird.dam):
            sires, dams = pens.of(row)
            bird = replace(bird, sire=bird.sire or OR.join(sires), dam=bird.dam or OR.join(dams))
        for sighting in seen.get(row.id, ()):
            noted = {k: getattr(sighting, k) for k in ("crest", "beard", "wattles")}
            bird = replace(bird, **{k: v for k, v in noted.items() if v not in (None, "")})
            if sighting.wattles and sighting.seen_on:
                bird = replace(bird, wattles_on=sighting.seen_on)
        birds.append(bird)
    return connect_parents(birds, "the records")


def sightings(session: Session, ids: Sequence[int] | None) -> dict[int, list[SightingRow]]:
    """Sightings by bird, oldest first."""
    query = select(SightingRow).order_by(SightingRow.id)
    some = [query.where(SightingRow.bird_id.in_(part)) for part in lots(ids or ())]
    found: dict[int, list[SightingRow]] = {}
    for part in [query] if ids is None else some:
        for row in session.scalars(part):
            found.setdefault(row.bird_id, []).append(row)
    return found


class PenParents:
    """The birds that lived in a hatch's pen while its eggs could be fathered."""

    def __init__(self, session: Session) -> None:
        self.hatches = {h.id: h for h in session.scalars(select(HatchRow))}
        self.stays: dict[int, list[PenBirdRow]] = {}
        if any(h.pen_id for h in self.hatches.values()):
            query = select(PenBirdRow).options(selectinload(PenBirdRow.bird))
            for stay in session.scalars(query.order_by(PenBirdRow.id)):
                self.stays.setdefault(stay.pen_id, []).append(stay)

    def of(self, chick: BirdRow) -> tuple[list[str], list[str]]:
        """Bands of possible sires and dams of a chick; hens and cocks of unknown sex are both."""
        hatch = self.hatches.get(chick.hatch_id or 0)
        if hatch is None or hatch.pen_id is None:
            return [], []
        hatched = hatch.hatched or chick.hatched
        sires, dams = [], []
        for stay in self.stays.get(hatch.pen_id, ()):
            if stay.bird_id == chick.id or not meets(stay, hatched):
                continue
            if hatched and stay.bird.hatched and stay.bird.hatched >= hatched:
                continue
            if stay.bird.sex != "hen":
                sires.append(stay.bird.band)
            if stay.bird.sex != "cock":
                dams.append(stay.bird.band)
        return list(dict.fromkeys(sires)), list(dict.fromkeys(dams))


def meets(stay: PenBirdRow, hatched: date | None) -> bool:
    """Whether a stay reaches into the weeks in which the eggs of a hatch were fathered and laid."""
    if hatched is None:
        return True
    laid = hatched - BROODING
    first = laid - STORED
    return (stay.since is None or stay.since <= laid) and (
        stay.until is None or stay.until >= first
    )


def photos_of_birds(
    session: Session, which: ColumnElement[bool], bands: Iterable[str] | None
) -> Iterable[PhotoRow]:
    """Photos whose bird is known, or one of some bands, with their readings, oldest first."""
    query = (
        select(PhotoRow)
        .join(BirdRow)
        .where(which)
        .order_by(PhotoRow.id)
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    )
    if bands is None:
        return session.scalars(query)
    some = [session.scalars(query.where(BirdRow.band.in_(part))) for part in lots(list(bands))]
    return sorted((photo for part in some for photo in part), key=lambda photo: photo.id)


def stored_readings(
    session: Session, bands: Iterable[str] | None = None
) -> dict[str, list[Reading]]:
    """Return the newest model reading of every photo, by band.

    Of near-duplicates only the first.
    """
    found: dict[str, list[Reading]] = {}
    for photo in photos_of_birds(session, PhotoRow.like == "", bands):
        reading = model_reading(photo)
        if reading and photo.bird:
            found.setdefault(photo.bird.band, []).append(reading)
    return found


def day_of(taken: datetime | None) -> str:
    """Return the day on which a photo was taken; empty if its camera didn't say."""
    return taken.date().isoformat() if taken else ""


def photo_days(session: Session, bands: Iterable[str]) -> dict[str, dict[str, str]]:
    """Return the day of each photo of some birds, by band and the photo's name."""
    found: dict[str, dict[str, str]] = {}
    for some in lots(list(bands)):
        query = (
            select(BirdRow.band, PhotoRow.name, PhotoRow.taken)
            .join(PhotoRow.bird)
            .where(BirdRow.band.in_(some))
        )
        for band, name, taken in session.execute(query):
            found.setdefault(band, {})[name] = day_of(taken)
    return found


def stored_counts(session: Session, flock: Flock) -> tuple[Counted, ...]:
    """Chicks counted without bands, of matings whose parents are in `flock`."""
    rows = {bird.bird: i for i, bird in enumerate(flock.birds)}
    bands = dict(session.execute(select(BirdRow.id, BirdRow.band)).all())
    found: dict[tuple[int, int], dict[str, int]] = {}
    query = select(MatingRow).order_by(MatingRow.id).options(selectinload(MatingRow.counts))
    for mating in session.scalars(query):
        pair = rows.get(bands[mating.sire_id]), rows.get(bands[mating.dam_id])
        if pair[0] is None or pair[1] is None:
            continue
        chicks = found.setdefault((pair[0], pair[1]), {})
        for count in mating.counts:
            chicks[count.comb] = chicks.get(count.comb, 0) + count.chicks
    return tuple(Counted(s, d, chicks) for (s, d), chicks in found.items() if chicks)
