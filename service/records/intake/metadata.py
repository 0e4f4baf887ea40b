"""What a photo says of place, camera and owner, taken off before it is kept.

JPEG keeps its picture to the last bit: only the segments that hold metadata are left out, and a
small EXIF with orientation and time is put in. Other formats are stored anew without loss; HEIC and
WebP, which few programs open, become JPEG.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import UTC, datetime

from PIL import Image

from classifier.photo import PhotoError, allowed_formats, check_pixels, one_line

ORIENTATION, TAKEN, EXIF_BLOCK = 0x0112, 0x9003, 0x8769
# Kept of a JPEG's segments: tables, frames, JFIF and colour profile. APP14 tells Adobe's colours.
APP0, APP1, APP2, APP14, SCAN = 0xE0, 0xE1, 0xE2, 0xEE, 0xDA
# Frames (SOF0 to SOF15 with DHT and DAC among them), quantisation tables, lines, restart interval,
# hierarchy.
PICTURE = frozenset((*range(0xC0, 0xD0), 0xDB, 0xDC, 0xDD, 0xDE, 0xDF))
END, RESTARTS = 0xD9, range(0xD0, 0xD8)
QUALITY = 95


@dataclass(frozen=True)
class Cleaned:
    """A photo without place, camera and owner."""

    data: bytes
    suffix: str
    taken: datetime | None


def strip_metadata(data: bytes) -> Cleaned:
    """Take the metadata off. Raises PhotoError for what is no picture."""
    try:
        with Image.open(io.BytesIO(data), formats=allowed_formats(data[:12])) as raw:
            check_pixels(raw)
            exif = raw.getexif()
            turn = int(exif.get(ORIENTATION, 1) or 1)
            taken = moment(exif.get_ifd(EXIF_BLOCK).get(TAKEN) or exif.get(0x0132))
            if raw.format in ("JPEG", "MPO"):
                return Cleaned(bare_jpeg(data, minimal(turn, taken)), ".jpg", taken)
            return Cleaned(*again(raw, taken), taken)
    except PhotoError:
        raise
    except (OSError, SyntaxError, ValueError, EOFError, Image.DecompressionBombError) as error:
        raise PhotoError("not_a_picture", reason=one_line(error)) from None


def moment(text: object) -> datetime | None:
    """EXIF's 'YYYY:MM:DD HH:MM:SS' as a time, the camera's clock taken as UTC.

    >>> moment('2026:05:03 07:08:09')
    datetime.datetime(2026, 5, 3, 7, 8, 9, tzinfo=datetime.timezone.utc)
    >>> moment('0000:00:00 00:00:00')
    """
    try:
        return datetime.strptime(str(text).strip("\x00 "), "%Y:%m:%d %H:%M:%S").replace(tzinfo=UTC)
    except ValueError:
        return None


def minimal(turn: int, taken: datetime | None) -> bytes:
    """EXIF with nothing but orientation and time."""
    exif = Image.Exif()
    if 2 <= turn <= 8:
        exif[ORIENTATION] = turn
    if taken is not None:
        exif.get_ifd(EXIF_BLOCK)[TAKEN] = taken.strftime("%Y:%m:%d %H:%M:%S")
    return exif.tobytes() if len(exif) or taken is not None else b""


def bare_jpeg(data: bytes, exif: bytes) -> bytes:
    """Return the first picture of a JPEG file with `exif` for all its metadata.

    The picture is bit for bit as it was. Of the segments that programs may fill only JFIF, Adobe's
    colour transform and ICC profiles stay. Raises PhotoError if it ends before its first scan.
    JPEG: ITU-T T.81, annex B.
    """
    out = [data[:2]]
    if exif:
        out.append(bytes((0xFF, APP1)) + (len(exif) + 2).to_bytes(2, "big") + exif)
    at, scans = 2, 0
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            if scans:  # rubbish behind a scan: what was read until then is the picture
                break
            raise PhotoError("photo_damaged")
        mark = data[at + 1]
        if mark == 0xFF:  # filling
            at += 1
            continue
        if mark == END:
            break
        size = int.from_bytes(data[at + 2 : at + 4], "big")
        if size < 2:
            if scans:
                break
            raise PhotoError("photo_damaged")
        segment = data[at : at + 2 + size]
        at += 2 + size
        if mark == SCAN:
            end = end_of_scan(data, at)
            out += [segment, data[at:end]]
            at, scans = end, scans + 1
        elif is_kept(mark, segment[4:]):
            out.append(segment)
    if not scans:
        raise PhotoError("photo_ends_early")
    out.append(bytes((0xFF, END)))
    return b"".join(out)


def is_kept(mark: int, content: bytes) -> bool:
    """Whether a segment is part of the picture, and not what somebody says of it."""
    if mark == APP0:
        return content.startswith(b"JFIF\x00")
    if mark == APP2:
        return content.startswith(b"ICC_PROFILE\x00")
    if mark == APP14:
        return content.startswith(b"Adobe")
    return mark in PICTURE


def end_of_scan(data: bytes, at: int) -> int:
    """Where a scan's data ends: within it FF stands before 00, another FF or a restart mark."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            return len(data)
        mark = data[at + 1]
        if mark not in (0, 0xFF, *RESTARTS):
            return at
        at += 1 if mark == 0xFF else 2


def again(raw: Image.Image, taken: datetime | None) -> tuple[bytes, str]:
    """Return the first picture of any other format, stored anew without its metadata."""
    format_name = raw.format
    raw.load()
    # Decoders of TIFF and HEIF turn the picture themselves: only now is known what is left to turn.
    exif = minimal(int(raw.getexif().get(ORIENTATION, 1) or 1), taken)
    bare: Image.Image = raw
    bare.info = {k: v for k, v in raw.info.items() if k == "transparency"}
    buffer = io.BytesIO()
    if format_name in ("HEIF", "WEBP"):
        bare.convert("RGB").save(buffer, "JPEG", quality=QUALITY, exif=exif)
        return buffer.getvalue(), ".jpg"
    if bare.mode not in ("1", "L", "LA", "P", "RGB", "RGBA", "I;16", "I"):
        bare = bare.convert("RGB")
    bare.save(buffer, "PNG", exif=exif)
    return buffer.getvalue(), ".png"
