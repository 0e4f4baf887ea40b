"""Photos: take them in, show their readings, correct them."""

from __future__ import annotations

import io
from collections import OrderedDict
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, BackgroundTasks, File, Form, Request, UploadFile
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from classifier.photo import head_view
from classifier.reading import Reading
from service.actions.observations import observe_comb
from service.actions.photos import Upload, assign_photo, read_photos
from service.actions.photos import take_in as keep_photos
from service.errors import NotFound
from service.records.intake.decoding import picture_of
from service.records.intake.sources import printable
from service.records.readings import model_reading
from service.records.tables import PhotoRow
from service.views.bird_list import first_bands
from service.views.photo_cards import cards_of, panel_words
from service.web.pages import (
    SUGGESTED,
    Records,
    desk_of,
    gone_to,
    page,
    reader_of,
    settings_of,
    store_of,
)

if TYPE_CHECKING:
    from classifier.reader import Reader as Model

router = APIRouter()
# More than these are read while the sorting table is open; so many are read at once.
AT_ONCE = 4
SHOWN = 60  # photos asked about at once
UNSURE = "unsure"  # an empty field of a form would count as missing


@router.post("/photos")
def take_in(
    request: Request,
    later: BackgroundTasks,
    files: Annotated[list[UploadFile], File()],
    bird: Annotated[str, Form(max_length=80)] = "",
    new: Annotated[bool, Form()] = False,
    back: Annotated[str, Form(max_length=400)] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Keep uploaded photos and read them: a few at once, many while one looks on."""
    settings, desk = settings_of(request), desk_of(request, later, by)
    incoming = keep_photos(desk, settings, [upload_of(file) for file in files], bird, new=new)
    photos = incoming.photos
    if len(photos) <= AT_ONCE:
        read_photos(desk, reader_of(request), photos)
    else:
        desk.leave("photos", photos=photos)
    if incoming.asked and photos:
        named = urlencode({"photo": photos[:SHOWN], "band": bird.strip()}, doseq=True)
        return gone_to(request, f"/assign?{named}", by=by)
    if incoming.problems or incoming.others:
        return page(
            request,
            "problems.html",
            status=200 if photos else 422,
            problems=incoming.problems,
            others=incoming.others,
            band=bird.strip(),
            kept=photos,
            back=back,
        )
    if back:
        return gone_to(request, back, by=by)
    there = f"/photos/{photos[0]}" if len(photos) == 1 else "/sort"
    if len(photos) > 1 and not all(taken.band for taken in incoming.kept):
        there = "/assign"
    return gone_to(request, there, by=by)


def upload_of(file: UploadFile) -> Upload:
    """Return a file of a form."""
    name = printable(PurePath((file.filename or "photo").replace("\\", "/")).name)[:200]
    content = file.file
    size = content.seek(0, io.SEEK_END)
    content.seek(0)
    return Upload(name or "photo", size, content)


def photo_row(records: Session, sha256: str) -> PhotoRow:
    """Return a photo's row; 404 if there is none."""
    row = records.scalar(select(PhotoRow).where(PhotoRow.sha256 == sha256))
    if row is None:
        raise NotFound("no_such_photo_kept")
    return row


@router.get("/photos/{sha256}")
def show(request: Request, records: Records, sha256: str) -> HTMLResponse:
    """One photo with its reading, and the candidates of its bird."""
    row = photo_row(records, sha256)
    bands = first_bands(records, SUGGESTED)
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
    new: Annotated[bool, Form()] = False,
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Say which bird is on a photo; an empty band takes it off again."""
    act = assign_photo(desk_of(request, later, by), sha256, bird, new=new)
    return gone_to(request, f"/photos/{quote(sha256)}", act.name, by)


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
    seen = "" if comb == UNSURE else comb
    act = observe_comb(desk_of(request, later, by), sha256, seen, blind=blind)
    return gone_to(request, back or f"/photos/{quote(sha256)}", act.name, by)


# Pictures are made anew after a restart or once so many others were looked at.
MADE: OrderedDict[tuple[str, str, str], bytes] = OrderedDict()
MOST_MADE = 600


@router.get("/photos/{sha256}/{view}.jpg")
def picture(request: Request, records: Records, sha256: str, view: str) -> Response:
    """Return the head (`head`), the whole photo, reduced (`whole`), or why it was read so (`why`).

    None of them carries EXIF.
    """
    row = photo_row(records, sha256)
    reading = model_reading(row)
    if view not in ("head", "why", "whole") or (view == "why" and no_head(reading)):
        raise NotFound("no_such_view")
    key = (sha256, view, repr(reading.head.box) + reading.model if reading else "")
    data = MADE.get(key)
    if data is None:
        path = store_of(request).photo(row.sha256, row.suffix)
        if not path.exists():
            raise NotFound("photo_file_missing")
        data = MADE[key] = render_view(reader_of(request), path, reading, view)
        while len(MADE) > MOST_MADE:
            MADE.popitem(last=False)
    return Response(
        data, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=3600"}
    )


def no_head(reading: Reading | None) -> bool:
    """Whether there is nothing to explain."""
    return reading is None or reading.head.source == "whole"


def render_view(reader: Model, path: Path, reading: Reading | None, view: str) -> bytes:
    """Return a view of a photo as JPEG."""
    photo = picture_of(path.name, path.read_bytes())
    image = photo.image
    if view == "head" and reading:
        image = head_view(photo, reading.head.box, 1.3, 420)
    elif view == "why" and reading:
        from classifier.explain import panel

        image = panel(reader, photo, reading, words=panel_words(reading.best))
    else:
        image.thumbnail((900, 900))
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=85)
    return buffer.getvalue()
