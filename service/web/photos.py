"""Photos: take them in, show their readings, correct them."""

from __future__ import annotations

import io
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, File, Form, HTTPException, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import selectinload

from classifier.photo import SUFFIXES, PhotoError, head_view, open_photo
from genetics.evidence import SAID
from service.store.models import BirdRow, PhotoRow, ReadingRow
from service.store.photos import keep, place
from service.store.records import bird_named, model_reading, person_comb, stored
from service.web.birds import judged_birds
from service.web.pages import Records, page, reader_of, settings_of

router = APIRouter()
SHOWN = 60


@router.get("/")
def front(request: Request, records: Records) -> HTMLResponse:
    """Take photos; the last ones with their readings."""
    rows = records.scalars(
        select(PhotoRow)
        .order_by(PhotoRow.taken_in.desc(), PhotoRow.sha256)
        .limit(SHOWN)
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    ).all()
    bands = records.scalars(select(BirdRow.band).order_by(BirdRow.band)).all()
    judged = judged_birds(request, records) if any(r.bird for r in rows) else {}
    cards = [
        {
            "photo": r,
            "reading": model_reading(r),
            "corrected": person_comb(r),
            "item": judged.get(r.bird.band) if r.bird else None,
        }
        for r in rows
    ]
    return page(request, "front.html", cards=cards, bands=bands)


@router.post("/photos")
def take_in(
    request: Request,
    records: Records,
    files: Annotated[list[UploadFile], File()],
    bird: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Keep and read uploaded photos; what can't be read is told and not kept."""
    settings, problems, kept = settings_of(request), [], []
    for upload in files:
        name = Path(upload.filename or "photo").name[:200]
        data = upload.file.read(settings.most_upload + 1)
        if len(data) > settings.most_upload:
            problems.append(f"{name}: larger than {settings.most_upload // 1_000_000} MB")
            continue
        suffix = Path(name).suffix.lower()
        suffix = suffix if suffix in SUFFIXES else ".jpg"
        try:
            kept.append(take_one(request, records, data, name, suffix, bird.strip()))
        except PhotoError as error:
            problems.append(f"{name}: {error}")
    if problems:
        return page(
            request, "problems.html", status=422 if not kept else 200, problems=problems, kept=kept
        )
    target = f"/photos/{kept[0]}" if len(kept) == 1 else "/"
    return RedirectResponse(target, status_code=303)


def take_one(
    request: Request, records: Records, data: bytes, name: str, suffix: str, bird: str
) -> str:
    """Decode, read, keep one photo; returns its SHA-256."""
    with tempfile.NamedTemporaryFile(suffix=suffix) as file:
        file.write(data)
        file.flush()
        photo = open_photo(Path(file.name))
    reader = reader_of(request)
    sha256 = keep(settings_of(request).photos, data, suffix)
    row = records.get(PhotoRow, sha256)
    now = datetime.now(UTC)
    if row is None:
        row = PhotoRow(sha256=sha256, name=name, suffix=suffix, taken_in=now)
        records.add(row)
    if bird:
        row.bird = bird_named(records, bird)
    if not any(r.by == reader.card.model for r in row.readings):
        reading = reader.read([photo])[0]
        answer = stored(reading, now)
        answer.content["photo"] = name
        row.readings.append(answer)
    records.flush()
    return sha256


def photo_row(records: Records, sha256: str) -> PhotoRow:
    """A photo's row; 404 if there is none."""
    row = records.get(PhotoRow, sha256)
    if row is None:
        raise HTTPException(404, "no such photo; it may be from another installation")
    return row


@router.get("/photos/{sha256}")
def show(request: Request, records: Records, sha256: str) -> HTMLResponse:
    """One photo with its reading, and the candidates of its bird."""
    row = photo_row(records, sha256)
    bands = records.scalars(select(BirdRow.band).order_by(BirdRow.band)).all()
    item = judged_birds(request, records).get(row.bird.band) if row.bird else None
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


@router.post("/photos/{sha256}/bird")
def choose_bird(
    records: Records, sha256: str, bird: Annotated[str, Form(max_length=80)] = ""
) -> Response:
    """Say which bird is on a photo; an empty band takes it off again."""
    row = photo_row(records, sha256)
    row.bird = bird_named(records, bird.strip()) if bird.strip() else None
    return RedirectResponse(f"/photos/{quote(sha256)}", status_code=303)


@router.post("/photos/{sha256}/comb")
def correct(
    records: Records,
    sha256: str,
    comb: Annotated[str, Form()],
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Write down what a person sees; an empty comb is 'can't tell'."""
    if comb and comb not in SAID:
        raise HTTPException(422, f"unknown comb {comb!r}")
    row = photo_row(records, sha256)
    row.readings.append(
        ReadingRow(
            made=datetime.now(UTC), by=by.strip() or "keeper", person=True, comb=comb, content={}
        )
    )
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
