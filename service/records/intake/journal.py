"""Taking photos in, one transaction each, with a journal that a crash can't confuse.

A lot is written down first, every file as 'waiting'. Then each file in turn is cleaned, kept and
entered in one transaction, after which the journal says what came of it. Begun again after a crash,
a lot goes on with what waits: a file that was already on disk is found there by its content, and a
photo that was already entered is known by the hash of the file it came from.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from classifier.photo import SUFFIXES, PhotoError
from service.errors import StoreError
from service.records.birds import bird_named
from service.records.database import Store
from service.records.identity import check_own, foreign
from service.records.intake import decoding
from service.records.intake.bands import band_in_name, band_of_codes
from service.records.intake.near_duplicates import nearest
from service.records.intake.sources import File
from service.records.photo_files import Swept, aside, digest, in_use, sweep
from service.records.states import KEPT, REFUSED, THERE, WAITING
from service.records.tables import BirdRow, IntakeRow, ItemRow, PhotoRow
from service.records.verify import stored_files
from service.wording.sentences import Coded, Message, as_data, say


@dataclass(frozen=True)
class Options:
    """How photos are taken in."""

    by: str = "keeper"
    original: bool = False
    """Keep the file as it is, place and camera included."""
    pattern: re.Pattern[str] | None = None
    band: str = ""
    """All photos are of this bird."""
    files: Mapping[str, str] = field(default_factory=dict)
    """By name, the band beside which a flock list names a file."""
    codes: bool = True
    """Look for QR labels where the name doesn't tell the bird."""
    nobody: bool = False
    """A band was given that isn't on record: the photos are nobody's until that is settled."""


@dataclass(frozen=True)
class Taken:
    """What came of one file."""

    name: str
    state: str
    sha256: str = ""
    message: Coded | None = None
    """Why it was refused, or what is worth saying of it."""
    band: str = ""
    like: str = ""

    def as_json(self) -> dict[str, str]:
        """For a program, with the message as a sentence."""
        return vars(self) | {"message": say(self.message) if self.message else ""}


def begin(store: Store, source: str, files: Sequence[File], by: str) -> int:
    """Write a lot down, or find it where it was begun and not ended; returns its key."""
    with store.writing(by, Message("act_photos_from", source=source)) as session:
        known = session.scalar(
            select(IntakeRow)
            .join(ItemRow)
            .where(IntakeRow.source == source, ItemRow.state == WAITING)
            .order_by(IntakeRow.id.desc())
        )
        if known is None:
            known = IntakeRow(source=source, begun=datetime.now(UTC))
            session.add(known)
            session.flush()
        listed = set(session.scalars(select(ItemRow.name).where(ItemRow.intake_id == known.id)))
        for file in files:
            if file.name not in listed:
                session.add(ItemRow(intake_id=known.id, name=file.name, state=WAITING, message=""))
        return known.id


def run(
    store: Store,
    source: str,
    files: Sequence[File],
    options: Options,
    told: Callable[[Taken], None] = lambda _: None,
) -> list[Taken]:
    """Take in a lot, or go on with one that was broken off. Raises StoreError if it can't go on.

    `told` hears of every file once it is safe: written, synced and committed.
    """
    lot = begin(store, source, files, options.by)
    by_name = {file.name: file for file in files}
    with store.reading() as session:
        waiting = session.scalars(
            select(ItemRow.name)
            .where(ItemRow.intake_id == lot, ItemRow.state == WAITING)
            .order_by(ItemRow.id)
        ).all()
        bands = set(session.scalars(select(BirdRow.band)))
        options = replace(options, files=listed_files(session))
    found = []
    for name in waiting:
        file = by_name.get(name)
        if file is None:
            taken = Taken(name, REFUSED, message=PhotoError("photo_gone"))
            with store.writing(options.by, Message("act_photo", name=name)) as session:
                close_item(session, lot, taken)
        else:
            taken = one(store, file, options, bands, lot)
        told(taken)
        found.append(taken)
    return found


def listed_files(session: Session) -> dict[str, str]:
    """Return the files that the flock list names for one bird alone, each with that bird's band."""
    query = select(BirdRow.band, BirdRow.photo).where(BirdRow.photo != "")
    found: dict[str, str] = {}
    twice = set()
    for band, names in session.execute(query):
        for name in filter(None, map(str.strip, names.split(";"))):
            if found.setdefault(name, band) != band:
                twice.add(name)
    return {name: band for name, band in found.items() if name not in twice}


def one(
    store: Store,
    file: File,
    options: Options,
    bands: Collection[str],
    lot: int | None = None,
) -> Taken:
    """Take in one file; StoreError if the store can't keep it, which leaves it waiting."""
    check_own(store)
    with TURN:
        return one_alone(store, file, options, bands, lot)


# One photo at a time is in memory here, however many are sent at once.
TURN = threading.Lock()


def one_alone(
    store: Store, file: File, options: Options, bands: Collection[str], lot: int | None
) -> Taken:
    """Take in one file while no other is taken in by this process."""
    try:
        prepared = prepare(file, options, bands)
    except PhotoError as error:
        taken = Taken(file.name, REFUSED, message=error)
        if lot is not None:
            with store.writing(options.by, Message("act_photo", name=file.name)) as session:
                close_item(session, lot, taken)
        return taken
    with (
        in_use(store.photos),
        store.writing(options.by, Message("act_photo", name=file.name)) as session,
    ):
        taken = enter(session, store, prepared)
        if lot is not None:
            close_item(session, lot, taken)
    return taken


@dataclass(frozen=True)
class Prepared:
    """A photo ready to be kept; made outside of any transaction, since it takes time."""

    name: str
    data: bytes
    suffix: str
    source_sha256: str
    taken: datetime | None
    likeness: str
    band: str


def prepare(file: File, options: Options, bands: Collection[str]) -> Prepared:
    """Clean a photo, hash it, and find its bird. Raises PhotoError for what is no photo."""
    data = file.load()
    if not data:
        raise PhotoError("photo_empty")
    named = options.band or options.files.get(Path(file.name).name, "")
    named = named or band_in_name(file.name, bands, options.pattern) or ""
    named = "" if options.nobody else named
    looks_for_codes = options.codes and not named and not options.nobody
    found, clean = decoding.prepare(file.name, data, looks_for_codes)
    suffix = Path(file.name).suffix.lower()
    suffix = suffix if suffix in SUFFIXES else found["suffix"]
    content, ending = (data, suffix) if options.original else (clean, found["suffix"])
    band = named or band_of_codes(found["codes"], bands) or ""
    return Prepared(
        file.name, content, ending, digest(data), found["taken"], found["likeness"], band
    )


def enter(session: Session, store: Store, photo: Prepared) -> Taken:
    """Keep a photo's bytes and its row, in a session that writes."""
    sha256 = digest(photo.data)
    row = session.scalar(
        select(PhotoRow).where(
            (PhotoRow.source_sha256 == photo.source_sha256) | (PhotoRow.sha256 == sha256)
        )
    )
    if row is not None:
        if row.sha256 == sha256:
            store.keep_photo(photo.data, photo.suffix)  # in case its file was lost
        if photo.band and row.bird_id is None:
            row.bird = bird_named(session, photo.band)
        band = row.bird.band if row.bird else ""
        return Taken(photo.name, THERE, row.sha256, Message("same_file"), band)
    near = nearest(session, photo.likeness)
    store.keep_photo(photo.data, photo.suffix)
    session.add(
        PhotoRow(
            sha256=sha256,
            source_sha256=photo.source_sha256,
            name=Path(photo.name).name[:255],
            suffix=photo.suffix,
            bytes=len(photo.data),
            taken_in=datetime.now(UTC),
            taken=photo.taken,
            likeness=photo.likeness,
            like=near,
            bird=bird_named(session, photo.band) if photo.band else None,
        )
    )
    session.flush()
    message = Message("near_duplicate") if near else None
    return Taken(photo.name, KEPT, sha256, message, photo.band, near)


def close_item(session: Session, lot: int, taken: Taken) -> None:
    """Write into the journal what came of a file."""
    item = session.scalar(
        select(ItemRow).where(ItemRow.intake_id == lot, ItemRow.name == taken.name)
    )
    if item is None:
        raise StoreError("not_in_journal", name=taken.name)
    item.state = taken.state
    item.message = json.dumps(as_data(taken.message)) if taken.message else ""
    item.photo_sha256 = taken.sha256 or None


def tidy(store: Store) -> Swept:
    """Remove half-written files and move aside what no row knows, unless a writer is at work."""
    if store.look_only:
        return Swept(0, 0, 0)
    if foreign(store):
        return Swept(0, 0, 0, refused=True)
    with in_use(store.photos, alone=True) as alone:
        if not alone:
            return Swept(0, 0, 0)
        with store.reading() as session:
            known = stored_files(session)
        return sweep(store.photos, known)


def describe_sweep(store: Store, swept: Swept) -> list[Message]:
    """Return what a keeper must hear of a sweep; nothing if no whole file was touched."""
    said, folder = [], str(aside(store.photos))
    if swept.refused:
        said.append(Message("swept_refused", folder=str(store.photos)))
    if swept.moved:
        said.append(Message("swept_moved", number=swept.moved, folder=folder))
    if swept.brought_back:
        said.append(Message("swept_back", number=swept.brought_back, folder=folder))
    return said
