"""Sharing heads with other breeders: given with consent, taken with a check, learned from."""

from __future__ import annotations

import io
from pathlib import Path

from classifier.boxes import square_crop
from classifier.photo import PhotoError
from genetics.messages import Place
from service.actions.desk import Desk
from service.errors import Refusal, StoreError, UsageMistake
from service.records.intake.decoding import picture_of
from service.records.photo_files import write_or_tell
from service.records.pooled import (
    LICENCES,
    SIDE,
    Package,
    checked,
    packed,
    signing_key,
    take_package,
)
from service.records.readings import model_reading
from service.settings import Settings
from service.views.confirmed import confirmed_birds

QUALITY = 88


def give_heads(
    desk: Desk, settings: Settings, path: Path, licence: str, *, consent: bool
) -> Package:
    """Write a package of the confirmed birds' heads: crops and combs, no names, places or times.

    Raises UsageMistake without consent or for another licence, Refusal if no bird is confirmed.
    """
    if licence not in LICENCES:
        raise UsageMistake("pool_licence", text=licence, known=LICENCES)
    if not consent:
        raise UsageMistake("pool_consent", licence=licence)
    heads: list[tuple[bytes, str, str, int]] = []
    with desk.store.reading() as session:
        wanted = [
            (photo.sha256, photo.suffix, photo.name, reading.head.box, bird.comb, bird.how, number)
            for number, bird in enumerate(confirmed_birds(session, desk.prior, desk.on))
            for photo in bird.photos
            if (reading := model_reading(photo))
        ]
    for sha256, suffix, name, box, comb, how, number in wanted:
        try:
            photo = picture_of(name, desk.store.photo(sha256, suffix).read_bytes())
        except (OSError, PhotoError):
            continue
        x0, y0, x1, y1 = (value * photo.scale for value in box)
        crop = square_crop(photo.image, (x0, y0, x1, y1), 2.0, SIDE)
        written = io.BytesIO()
        crop.save(written, "JPEG", quality=QUALITY)
        heads.append((written.getvalue(), comb, how, number))
    if not heads:
        raise Refusal("none_confirmed")
    write_or_tell(path, packed(heads, licence, signing_key(settings.home)))
    return checked(path)


def take_heads(settings: Settings, path: Path) -> tuple[Package, int]:
    """Keep a package for learning; returns it and how many heads it adds. Raises StoreError."""
    if not path.is_file():
        raise StoreError("no_package", place=Place(str(path)))
    return take_package(settings.home, path)
