"""What is worked out of a photo's bytes, in the process that decodes photos (`decoding`)."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from typing import Any

from classifier.photo import read_photo
from service.records.intake.bands import codes_in_picture
from service.records.intake.metadata import strip_metadata
from service.records.intake.near_duplicates import likeness


def prepare(said: Mapping[str, Any], data: bytes) -> tuple[dict[str, Any], bytes]:
    """Return a photo without its metadata, and what intake asks of it."""
    clean = strip_metadata(data)
    picture = read_photo(said["name"], BytesIO(clean.data)).image
    answer = {
        "suffix": clean.suffix,
        "taken": clean.taken.isoformat() if clean.taken else None,
        "likeness": likeness(picture),
        "codes": codes_in_picture(picture) if said["codes"] else [],
    }
    return answer, clean.data


def picture(said: Mapping[str, Any], data: bytes) -> tuple[dict[str, Any], bytes]:
    """Return a decoded photo as it is read."""
    photo = read_photo(said["name"], BytesIO(data))
    answer = {
        "width": photo.width,
        "height": photo.height,
        "size": photo.image.size,
        "remarks": [[doubt.code, dict(doubt.values)] for doubt in photo.remarks],
    }
    return answer, photo.image.tobytes()


def codes(said: Mapping[str, Any], data: bytes) -> tuple[dict[str, Any], bytes]:
    """Return the codes on a photographed label."""
    return {"codes": codes_in_picture(read_photo(said["name"], BytesIO(data)).image)}, b""


JOBS = {"prepare": prepare, "picture": picture, "codes": codes}
