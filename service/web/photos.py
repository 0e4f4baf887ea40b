"""Photos: take them in, show their readings, correct them."""

from __future__ import annotations

import io
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from urllib.parse import quote

from fastapi import APIRouter, BackgroundTasks, File, Form, HTTPException, Request, UploadFile
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from classifier.photo import PhotoError, head_view, open_photo
from classifier.reading import Reading
from service import clock
from service.answers.refresh import refresh
from service.records.birds import bird_named
from service.records.database import Store, StoreError
from service.records.entries import looked
from service.records.intake.journal import Options, Taken, one
from service.records.intake.read_pending import unread
from service.records.intake.sources import File as Source
from service.records.intake.sources import files_of
from service.records.photo_files import place
from service.records.readings import model_reading
from service.records.states import REFUSED
from service.records.tables import BirdRow, PhotoRow
from service.settings import Settings
from service.views.photo_cards import cards_of
from service.web.pages import (
    SUGGESTED,
    Records,
    acting,
    gone_to,
    page,
    reader_of,
    settings_of,
    signed,
    store_of,
    worked_in,
)

if TYPE_CHECKING:
    from classifier.reader import Reader as Model

router = APIRouter()
# More than these are read while the sorting table is open; so many are read at once.
AT_ONCE = 4
UNSURE = "unsure"  # an empty field of a form would count as missing


@dataclass(frozen=True)
class Incoming:
    """Uploads kept: what came of each, and the complaints."""

    kept: list[Taken]
    problems: list[str]


def keep(
    store: Store, settings: Settings, uploads: Sequence[tuple[str, bytes]], band: str, by: str
) -> Incoming:
    """Keep uploaded photos and ZIP archives of them; what isn't a photo is told, and not kept."""
    options = Options(original=settings.keep_originals, band=band.strip(), by=by or "keeper")
    with store.reading() as session:
        bands = set(session.scalars(select(BirdRow.band)))
    kept: list[Taken] = []
    problems: list[str] = []
    for name, data in uploads:
        if len(data) > settings.most_upload:
            problems.append(f"{name}: larger than {settings.most_upload // 1_000_000} MB")
            continue
        try:
            sources = unpacked(name, data)
        except StoreError as error:
            problems.append(str(error))
            continue
        for source in sources:
            taken = one(store, source, options, bands)
            if taken.state == REFUSED:
                problems.append(f"{taken.name}: {taken.message}")
            else:
                kept.append(taken)
    return Incoming(kept, problems)


def bands_of(store: Store, photos: Sequence[str]) -> list[str]:
    """Bands of the birds on some photos."""
    with store.reading() as session:
        return list(
            session.scalars(
                select(BirdRow.band).join(PhotoRow).where(PhotoRow.sha256.in_(photos)).distinct()
            )
        )


READING = threading.Lock()


def read_later(store: Store, reader: Model, photos: list[str]) -> None:
    """Read a lot of photos one batch after the other, and work them into the answers."""
    with READING:  # lots wait for each other, single photos don't
        unread(store, reader, photos)
        bands = bands_of(store, photos)
        if bands:
            refresh(store, reader.card.prior, clock.today(), bands)


@router.post("/photos")
def take_in(
    request: Request,
    later: BackgroundTasks,
    files: Annotated[list[UploadFile], File()],
    bird: Annotated[str, Form(max_length=80)] = "",
    back: Annotated[str, Form(max_length=400)] = "",
) -> Response:
    """Keep uploaded photos and read them: a few at once, many while one looks on."""
    settings, store = settings_of(request), store_of(request)
    most = settings.most_upload + 1
    uploads = [(Path(f.filename or "photo").name[:200], f.file.read(most)) for f in files]
    incoming = keep(store, settings, uploads, bird, signed(request))
    photos = [taken.sha256 for taken in incoming.kept]
    if len(photos) <= AT_ONCE:
        unread(store, reader_of(request), photos)
        worked_in(request, later, bands_of(store, photos))
    else:
        later.add_task(read_later, store, reader_of(request), photos)
    if incoming.problems:
        status = 422 if not photos else 200
        return page(
            request,
            "problems.html",
            status=status,
            problems=incoming.problems,
            kept=photos,
            back=back,
        )
    if back:
        return gone_to(request, back)
    return gone_to(request, f"/photos/{photos[0]}" if len(photos) == 1 else "/sort")


def unpacked(name: str, data: bytes) -> list[Source]:
    """An upload's photos: itself, or those in a ZIP archive. Raises StoreError."""
    if not name.lower().endswith(".zip"):
        return [Source(name, lambda: data)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        found = files_of([path])[1]
        # Unpacked while the archive is there; what can't be is told as that photo's complaint.
        return [Source(file.name, held(file)) for file in found]


def held(file: Source) -> Callable[[], bytes]:
    """A file whose bytes are loaded now; its complaint is raised when it is asked for."""
    try:
        data = file.load()
    except PhotoError as error:
        complaint = error

        def refuse() -> bytes:
            raise complaint

        return refuse
    return lambda: data


def photo_row(records: Session, sha256: str) -> PhotoRow:
    """A photo's row; 404 if there is none."""
    row = records.scalar(select(PhotoRow).where(PhotoRow.sha256 == sha256))
    if row is None:
        raise HTTPException(404, "no such photo; it may be from another installation")
    return row


@router.get("/photos/{sha256}")
def show(request: Request, records: Records, sha256: str) -> HTMLResponse:
    """One photo with its reading, and the candidates of its bird."""
    row = photo_row(records, sha256)
    bands = records.scalars(select(BirdRow.band).order_by(BirdRow.id).limit(SUGGESTED)).all()
    (card,) = cards_of(records, [row])
    return page(
        request,
        "photo.html",
        card=card,
        photo=row,
        reading=card.reading,
        people=[r for r in row.readings if r.person],
        bands=bands,
    )


@router.get("/photos/{sha256}/blind")
def show_blind(request: Request, records: Records, sha256: str) -> HTMLResponse:
    """One photo without what anyone has read, for an eye of one's own."""
    return page(request, "blind.html", photo=photo_row(records, sha256))


@router.post("/photos/{sha256}/bird")
def choose_bird(
    request: Request,
    later: BackgroundTasks,
    sha256: str,
    bird: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Say which bird is on a photo; an empty band takes it off again."""
    name = signed(request)
    with acting(request, name, f"photo of bird {bird or 'unknown'}") as session:
        act = session.info["batch"]
        row = photo_row(session, sha256)
        touched = [row.bird.band] if row.bird else []
        row.bird = bird_named(session, bird.strip()) if bird.strip() else None
        touched += [row.bird.band] if row.bird else []
    worked_in(request, later, touched)
    return gone_to(request, f"/photos/{quote(sha256)}", act)


@router.post("/photos/{sha256}/comb")
def correct(
    request: Request,
    later: BackgroundTasks,
    sha256: str,
    comb: Annotated[str, Form()],
    by: Annotated[str, Form(max_length=80)] = "",
    blind: Annotated[bool, Form()] = False,
    back: Annotated[str, Form(max_length=400)] = "",
) -> Response:
    """Write down what a person sees; `unsure` is 'can't tell'."""
    name = signed(request, by)
    comb = "" if comb == UNSURE else comb
    with acting(request, name, f"comb read: {comb or 'not to be told'}") as session:
        band = looked(session, sha256, comb, name, blind)
        act = session.info["batch"]
    worked_in(request, later, [band] if band else [])
    return gone_to(request, back or f"/photos/{quote(sha256)}", act, by)


# Pictures are made anew after a restart or once so many others were looked at.
MADE: OrderedDict[tuple[str, str, str], bytes] = OrderedDict()
MOST_MADE = 600


@router.get("/photos/{sha256}/{view}.jpg")
def picture(request: Request, records: Records, sha256: str, view: str) -> Response:
    """The head (`head`), the whole photo, reduced (`whole`), or why it was read so (`why`).

    None of them carries EXIF.
    """
    row = photo_row(records, sha256)
    reading = model_reading(row)
    if view not in ("head", "why", "whole") or (view == "why" and no_head(reading)):
        raise HTTPException(404, "no such view")
    key = (sha256, view, repr(reading.head.box) + reading.model if reading else "")
    data = MADE.get(key)
    if data is None:
        path = place(settings_of(request).photos, row.sha256, row.suffix)
        if not path.exists():
            raise HTTPException(404, "the photo's file is missing from the store")
        data = MADE[key] = made(reader_of(request), path, reading, view)
        while len(MADE) > MOST_MADE:
            MADE.popitem(last=False)
    return Response(
        data, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=3600"}
    )


def no_head(reading: Reading | None) -> bool:
    """Whether there is nothing to explain."""
    return reading is None or reading.head.source == "whole"


def made(reader: Model, path: Path, reading: Reading | None, view: str) -> bytes:
    """A view of a photo as JPEG."""
    photo = open_photo(path)
    image = photo.image
    if view == "head" and reading:
        image = head_view(photo, reading.head.box, 1.3, 420)
    elif view == "why" and reading:
        from classifier.explain import panel

        image = panel(reader, photo, reading)
    else:
        image.thumbnail((900, 900))
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=85)
    return buffer.getvalue()
