"""Photos: take them in, show their readings, correct them."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, BackgroundTasks, File, Form, HTTPException, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from classifier.photo import PhotoError, head_view, open_photo
from genetics.evidence import SAID
from service.families import refresh
from service.intake.journal import Options, one
from service.intake.looking import unread
from service.intake.sources import File as Source
from service.intake.sources import files_of
from service.judging import judged
from service.store.database import StoreError
from service.store.models import BirdRow, PhotoRow
from service.store.photos import place
from service.store.readings import by_person, model_reading, person_comb
from service.store.records import bird_named
from service.store.states import REFUSED
from service.web.pages import Records, page, reader_of, settings_of, store_of

router = APIRouter()
SHOWN = 60


@router.get("/")
def front(request: Request, records: Records) -> HTMLResponse:
    """Take photos; the last ones with their readings."""
    rows = records.scalars(
        select(PhotoRow)
        .order_by(PhotoRow.id.desc())
        .limit(SHOWN)
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    ).all()
    bands = records.scalars(select(BirdRow.band).order_by(BirdRow.band)).all()
    items = judged(records, {r.bird.band for r in rows if r.bird})
    cards = [
        {
            "photo": r,
            "reading": model_reading(r),
            "corrected": person_comb(r),
            "item": items.get(r.bird.band) if r.bird else None,
        }
        for r in rows
    ]
    return page(request, "front.html", cards=cards, bands=bands)


def worked_in(request: Request, later: BackgroundTasks, bands: Sequence[str]) -> None:
    """Work a change of some birds into their families' answers; culprits once the page is sent."""
    if bands:
        prior = reader_of(request).card.prior
        refresh(store_of(request), prior, date.today(), bands, culprits=())
        later.add_task(refresh, store_of(request), prior, date.today(), list(bands), set(bands))


@router.post("/photos")
def take_in(
    request: Request,
    later: BackgroundTasks,
    files: Annotated[list[UploadFile], File()],
    bird: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Keep and read uploaded photos; what can't be read is told and not kept."""
    settings, store, reader = settings_of(request), store_of(request), reader_of(request)
    options = Options(original=settings.keep_originals, band=bird.strip())
    with store.reading() as session:
        bands = set(session.scalars(select(BirdRow.band)))
    problems, kept = [], []
    for upload in files:
        name = Path(upload.filename or "photo").name[:200]
        data = upload.file.read(settings.most_upload + 1)
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
                kept.append(taken.sha256)
    unread(store, reader, kept)
    with store.reading() as session:
        touched = session.scalars(
            select(BirdRow.band).join(PhotoRow).where(PhotoRow.sha256.in_(kept)).distinct()
        ).all()
    worked_in(request, later, touched)
    if problems:
        return page(
            request, "problems.html", status=422 if not kept else 200, problems=problems, kept=kept
        )
    target = f"/photos/{kept[0]}" if len(kept) == 1 else "/"
    return RedirectResponse(target, status_code=303)


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
    bands = records.scalars(select(BirdRow.band).order_by(BirdRow.band)).all()
    item = judged(records, [row.bird.band]).get(row.bird.band) if row.bird else None
    return page(
        request,
        "photo.html",
        photo=row,
        reading=model_reading(row),
        corrected=person_comb(row),
        people=[r for r in row.readings if r.person],
        bands=bands,
        words=list(SAID),
        item=item,
        candidate=item.candidate if item else None,
    )


@router.get("/photos/{sha256}/blind")
def show_blind(request: Request, records: Records, sha256: str) -> HTMLResponse:
    """One photo without what anyone has read, for an eye of one's own."""
    return page(request, "blind.html", photo=photo_row(records, sha256), words=list(SAID))


@router.post("/photos/{sha256}/bird")
def choose_bird(
    request: Request,
    later: BackgroundTasks,
    sha256: str,
    bird: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Say which bird is on a photo; an empty band takes it off again."""
    with store_of(request).writing("keeper", f"photo of bird {bird or 'unknown'}") as session:
        row = photo_row(session, sha256)
        touched = [row.bird.band] if row.bird else []
        row.bird = bird_named(session, bird.strip()) if bird.strip() else None
        touched += [row.bird.band] if row.bird else []
    worked_in(request, later, touched)
    return RedirectResponse(f"/photos/{quote(sha256)}", status_code=303)


@router.post("/photos/{sha256}/comb")
def correct(
    request: Request,
    later: BackgroundTasks,
    sha256: str,
    comb: Annotated[str, Form()],
    by: Annotated[str, Form(max_length=80)] = "",
    blind: Annotated[bool, Form()] = False,
) -> Response:
    """Write down what a person sees; an empty comb is 'can't tell'.

    A second look at a photo by the same person isn't blind any more, whatever the form says.
    """
    if comb and comb not in SAID:
        raise HTTPException(422, f"unknown comb {comb!r}")
    who = by.strip() or "keeper"
    with store_of(request).writing(who, f"comb read: {comb or 'not to be told'}") as session:
        row = photo_row(session, sha256)
        again = any(r.person and r.by == who for r in row.readings)
        row.readings.append(by_person(who, datetime.now(UTC), comb, blind and not again))
        touched = [row.bird.band] if row.bird else []
    worked_in(request, later, touched)
    return RedirectResponse(f"/photos/{quote(sha256)}", status_code=303)


@router.get("/photos/{sha256}/{view}.jpg")
def picture(request: Request, records: Records, sha256: str, view: str) -> Response:
    """The head (`head`), the whole photo, reduced (`whole`), or why it was read so (`why`).

    None of them carries EXIF.
    """
    row = photo_row(records, sha256)
    path = place(settings_of(request).photos, row.sha256, row.suffix)
    if not path.exists():
        raise HTTPException(404, "the photo's file is missing from the store")
    photo, reading = open_photo(path), model_reading(row)
    image = photo.image
    if view == "head" and reading:
        image = head_view(photo, reading.head.box, 1.3, 420)
    elif view == "why" and reading and reading.head.source != "whole":
        from classifier.explain import panel

        image = panel(reader_of(request), photo, reading)
    elif view != "whole":
        raise HTTPException(404, "no such view")
    else:
        image.thumbnail((900, 900))
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=85)
    return Response(
        buffer.getvalue(),
        media_type="image/jpeg",
        headers={"Cache-Control": "private, max-age=3600"},
    )
