"""Photos: taken in from uploads, read, given to a bird."""

from __future__ import annotations

import shutil
import tempfile
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from sqlalchemy import select
from sqlalchemy.orm import Session

from classifier.errors import ClassifierError
from service.actions.desk import Act, Desk, perform
from service.errors import Refusal, StoreError
from service.records.birds import bird_named
from service.records.corrections import check_known, unknown_band
from service.records.database import Store
from service.records.entries import find_photo
from service.records.intake.journal import Options, Taken, listed_files, one
from service.records.intake.read_pending import read_pending
from service.records.intake.sources import File, files_of
from service.records.memory import give_back_memory
from service.records.states import REFUSED, THERE
from service.records.tables import BirdRow, PhotoRow
from service.settings import Settings
from service.wording.sentences import Coded, Message

if TYPE_CHECKING:
    from classifier.reader import Reader

READING = threading.Lock()


@dataclass(frozen=True)
class Incoming:
    """Uploads kept: what came of each, and what wasn't kept and why."""

    kept: list[Taken]
    problems: list[Coded]
    asked: Coded | None = None
    """Why the band that was given wasn't taken."""
    others: tuple[str, ...] = ()
    """Bands of other birds whose photos some of these are, and stay."""

    @property
    def photos(self) -> list[str]:
        """SHA-256 of what was kept, or was there already."""
        return [taken.sha256 for taken in self.kept]


def assign_photo(desk: Desk, photo: str, band: str, *, new: bool = False) -> Act:
    """Say which bird is on a photo; an empty band takes it off again.

    With `new` a bird that isn't on record yet is made; without, its band is taken for mistyped.
    """
    band = band.strip()
    said = Message("act_assign", band=band) if band else Message("act_unassign")
    return perform(desk, said, lambda session: give(session, photo, band, new))


def assign_photos(desk: Desk, pairs: Sequence[tuple[str, str]], *, new: bool = False) -> Act:
    """Say which birds are on several photos (SHA-256 and band) as one act."""
    wanted = {photo: band.strip() for photo, band in pairs if band.strip()}
    if not wanted:
        raise Refusal("no_photo_assigned")

    def work(session: Session) -> list[str]:
        return [b for photo, band in wanted.items() for b in give(session, photo, band, new)]

    return perform(desk, Message("act_assign_many", number=len(wanted)), work)


def give(session: Session, photo: str, band: str, new: bool) -> list[str]:
    """Give a photo to a bird, or to nobody; returns the bands of the birds before and after."""
    row = find_photo(session, photo)
    touched = [row.bird.band] if row.bird else []
    if not band:
        row.bird = None
        return touched
    if not new:
        check_known(session, band)
    row.bird = bird_named(session, band)
    return [*touched, band]


@dataclass(frozen=True)
class Upload:
    """A file that was sent: its name, its size in bytes, and where it can be read."""

    name: str
    size: int
    content: BinaryIO


def take_in(
    desk: Desk, settings: Settings, uploads: Sequence[Upload], band: str, *, new: bool = False
) -> Incoming:
    """Keep uploaded photos and ZIP archives of them; what isn't a photo is told, and not kept.

    A band that isn't on record yet is taken for mistyped unless it is `new`: the photos are kept
    all the same, without a bird, and that is told. One photo is in memory at a time.
    """
    kept: list[Taken] = []
    problems: list[Coded] = []
    asked: Coded | None = None
    band = band.strip()
    with desk.store.reading() as session:
        bands = set(session.scalars(select(BirdRow.band)))
        if band and not new and band not in bands:
            asked, band = unknown_band(session, band), ""
        files = listed_files(session)
    options = Options(
        original=settings.keep_originals,
        band=band,
        by=desk.by,
        files=files,
        nobody=asked is not None,
    )
    for upload in uploads:
        try:
            for source in photos_in(upload, settings.most_upload):
                taken = one(desk.store, source, options, bands)
                if taken.state == REFUSED:
                    problems.append(Message("photo_named", name=taken.name, why=taken.message))
                else:
                    kept.append(taken)
        except Unusable as error:
            problems.append(error.complaint)
    others = {t.band for t in kept if t.state == THERE and t.band and band and t.band != band}
    return Incoming(kept, problems, asked, tuple(sorted(others)))


class Unusable(Exception):
    """An upload that can't be taken apart."""

    def __init__(self, complaint: Coded) -> None:
        super().__init__()
        self.complaint = complaint


def photos_in(upload: Upload, most: int) -> Iterator[File]:
    """Return an upload's photos: itself, or those in a ZIP archive, each unpacked when its turn
    comes.

    Raises Unusable.
    """
    if not upload.name.lower().endswith(".zip"):
        if upload.size > most:
            large = Message("upload_too_large", most=most // 1_000_000)
            raise Unusable(Message("photo_named", name=upload.name, why=large))
        yield File(upload.name, upload.content.read)
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lot.zip"
        with path.open("wb") as copy:
            shutil.copyfileobj(upload.content, copy)
        try:
            found = files_of([path])[1]
        except (StoreError, ClassifierError) as error:
            # Named as it was sent, not as the copy is called here.
            plain = StoreError(error.code, **error.values)
            raise Unusable(Message("photo_named", name=upload.name, why=plain)) from None
        yield from found


def read_photos(desk: Desk, reader: Reader, photos: Sequence[str]) -> None:
    """Read some photos that were just taken in, and work them into the answers."""
    read_pending(desk.store, reader, photos)
    desk.work_in(bands_of(desk.store, photos))
    give_back_memory()


def read_lot(desk: Desk, reader: Reader, photos: Sequence[str]) -> None:
    """Read many photos, one lot after the other: lots wait for each other, single photos don't."""
    with READING:
        read_photos(desk, reader, photos)


def bands_of(store: Store, photos: Sequence[str]) -> list[str]:
    """Bands of the birds on some photos."""
    with store.reading() as session:
        return list(
            session.scalars(
                select(BirdRow.band).join(PhotoRow).where(PhotoRow.sha256.in_(photos)).distinct()
            )
        )
