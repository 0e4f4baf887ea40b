"""What is worked out of a photo's bytes, in the process that decodes photos (`decoding`)."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from typing import Any

from PIL import Image, UnidentifiedImageError

from classifier.photo import Photo, PhotoError, allowed_formats, check_pixels, decode, one_line
from service.records.intake.bands import codes_in_picture
from service.records.intake.metadata import strip_metadata
from service.records.intake.near_duplicates import likeness


def decode_bytes(name: str, data: bytes) -> Photo:
    """Return a photo from its bytes. Raises PhotoError for whatever can't be read in full."""
    if not data:
        raise PhotoError("photo_empty")
    try:
        with Image.open(BytesIO(data), formats=allowed_formats(data[:12])) as raw:
            check_pixels(raw)
            return decode(name, raw)
    except PhotoError:
        raise
    except UnidentifiedImageError:
        raise PhotoError("not_a_picture") from None
    except (OSError, SyntaxError, ValueError, EOFError, OverflowError, RuntimeError) as error:
        code = "photo_ends_early" if "truncated" in str(error) else "photo_damaged"
        raise PhotoError(code, reason=one_line(error)) from None


def prepare(said: Mapping[str, Any], data: bytes) -> tuple[dict[str, Any], bytes]:
    """Return a photo without its metadata, and what intake asks of it."""
    clean = strip_metadata(data)
    picture = decode_bytes(said["name"], clean.data).image
    answer = {
        "suffix": clean.suffix,
        "taken": clean.taken.isoformat() if clean.taken else None,
        "likeness": likeness(picture),
        "codes": codes_in_picture(picture) if said["codes"] else [],
    }
    return answer, clean.data


def picture(said: Mapping[str, Any], data: bytes) -> tuple[dict[str, Any], bytes]:
    """Return a decoded photo as it is read."""
    photo = decode_bytes(said["name"], data)
    answer = {
        "width": photo.width,
        "height": photo.height,
        "size": photo.image.size,
        "remarks": [[doubt.code, dict(doubt.values)] for doubt in photo.remarks],
    }
    return answer, photo.image.tobytes()


def codes(said: Mapping[str, Any], data: bytes) -> tuple[dict[str, Any], bytes]:
    """Return the codes on a photographed label."""
    return {"codes": codes_in_picture(decode_bytes(said["name"], data).image)}, b""


JOBS = {"prepare": prepare, "picture": picture, "codes": codes}
