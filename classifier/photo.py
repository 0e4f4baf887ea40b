"""Photos decoded safely: upright, RGB, reduced while decoding, or refused with one clear line."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from PIL import Image, ImageOps, UnidentifiedImageError

from classifier.boxes import Box, square_crop
from classifier.errors import ClassifierError
from classifier.messages import Doubt

MOST_PIXELS = 120_000_000
MOST_UNREDUCED = 50_000_000  # of formats that can't be reduced while they are decoded
MOST_BYTES = 80_000_000
WORKING_SIDE = 1600
# Pillow warns from 89 million pixels on; `decoded` refuses by MOST_PIXELS, before any is decoded.
warnings.filterwarnings("ignore", category=Image.DecompressionBombWarning)
# Formats that cameras and phones write. Others are not opened: some run programs to be drawn.
FORMATS = ("JPEG", "MPO", "PNG", "HEIF", "WEBP", "GIF", "TIFF", "BMP")
SUFFIXES = (".jpg", ".jpeg", ".png", ".heic", ".heif", ".webp", ".gif", ".tif", ".tiff", ".bmp")


class PhotoError(ClassifierError):
    """A photo that can't be used; one line that says what is wrong and what to do."""


@dataclass(frozen=True)
class Photo:
    """A decoded photo.

    `image` is upright RGB, at most twice WORKING_SIDE pixels long; `width` and `height` are those
    of the full upright photo, and `scale` is working pixels for each full pixel.
    """

    name: str
    image: Image.Image
    width: int
    height: int
    remarks: tuple[Doubt, ...] = ()

    @property
    def scale(self) -> float:
        """Working pixels per pixel of the full photo."""
        return self.image.width / self.width


def open_photo(path: Path) -> Photo:
    """Decode one photo. Raises PhotoError for whatever can't be read in full."""
    try:
        there = path.exists()
    except (OSError, ValueError):  # a name that no file can have
        there = False
    if not there:
        raise PhotoError("no_such_photo")
    if path.is_dir():
        raise PhotoError("photo_is_folder")
    size = path.stat().st_size
    if size == 0:
        raise PhotoError("photo_empty")
    if size > MOST_BYTES:
        raise PhotoError("photo_too_heavy", megabytes=size / 1000000.0, most=MOST_BYTES / 1000000.0)
    with path.open("rb") as file:
        return read_photo(path.name, file)


def read_photo(name: str, file: BinaryIO) -> Photo:
    """Decode one photo from an open file. Raises PhotoError for whatever can't be read in full."""
    header = file.read(12)
    if not header:
        raise PhotoError("photo_empty")
    file.seek(0)
    try:
        with Image.open(file, formats=allowed_formats(header)) as raw:
            return decode(name, raw)
    except PhotoError:
        raise
    except UnidentifiedImageError:
        raise PhotoError("not_a_picture") from None
    except Image.DecompressionBombError:
        raise PhotoError("photo_too_large", most=MOST_PIXELS // 1_000_000) from None
    except MemoryError:
        raise PhotoError("photo_too_costly") from None
    except Exception as error:  # a decoder may raise anything over what it is fed
        code = "photo_ends_early" if "truncated" in str(error) else "photo_damaged"
        raise PhotoError(code, reason=one_line(error)) from None


def head_view(photo: Photo, box: Box, context: float, size: int) -> Image.Image:
    """Return a square round a head box (pixels of the full photo), as `size` x `size`."""
    x0, y0, x1, y1 = (v * photo.scale for v in box)
    return square_crop(photo.image, (x0, y0, x1, y1), context, size)


def allowed_formats(header: bytes) -> list[str]:
    """Those of FORMATS that a file that begins so may be opened as.

    HEIF needs a plugin, which takes time to load and is only for files that look like it.
    """
    if header[4:8] == b"ftyp":  # ISO base media, as HEIC files are, whatever their name says
        import pillow_heif

        pillow_heif.register_heif_opener()
    Image.preinit()
    Image.init()
    return [name for name in FORMATS if name in Image.OPEN]


def one_line(error: Exception) -> str:
    """Return an error's message without line breaks, short."""
    return " ".join(str(error).split())[:120]


def decode(name: str, raw: Image.Image) -> Photo:
    """Return an opened image made upright, RGB and small enough to work with."""
    width, height = raw.size
    check_pixels(raw)
    if min(width, height) < 16:
        raise PhotoError("photo_too_small", width=width, height=height)
    remarks = []
    # Phones write a thumbnail or a depth map behind a photo (MPO): that is no second picture.
    if getattr(raw, "n_frames", 1) > 1 and raw.format != "MPO":
        remarks.append(Doubt("several_pictures"))
    if raw.format in ("JPEG", "MPO") and max(width, height) > 2 * WORKING_SIDE:
        # Asked for in the photo's own shape: the scale is taken from the side that shrinks least.
        share = WORKING_SIDE / max(width, height)
        raw.draft("RGB", (int(width * share), int(height * share)))
    turned = raw.getexif().get(0x0112, 1) in (5, 6, 7, 8)
    raw.load()
    image = ImageOps.exif_transpose(eight_bit(raw))
    if max(image.size) > 2 * WORKING_SIDE:
        image.thumbnail((WORKING_SIDE, WORKING_SIDE), Image.Resampling.LANCZOS, reducing_gap=2.0)
    if turned:
        width, height = height, width
    return Photo(name, image, width, height, tuple(remarks))


def check_pixels(raw: Image.Image) -> None:
    """Refuse a picture that would take more memory than a photo should. Raises PhotoError."""
    most = MOST_PIXELS if raw.format in ("JPEG", "MPO") else MOST_UNREDUCED
    if raw.width * raw.height > most:
        raise PhotoError("photo_too_large", most=most // 1_000_000)


def eight_bit(raw: Image.Image) -> Image.Image:
    """Any mode to RGB with 8 bits, transparency on white; keeps EXIF for the orientation."""
    exif = raw.getexif()
    if raw.mode.startswith("I") or raw.mode == "F":
        values = np.asarray(raw)
        top = 65535.0 if values.max() > 255 else 255.0
        rows = np.empty(values.shape, np.uint8)
        for y in range(0, len(values), 256):  # some at a time, since floats take much room
            part = values[y : y + 256].astype(float)
            rows[y : y + 256] = np.clip(part / top * 255, 0, 255).astype(np.uint8)
        raw = Image.fromarray(rows)
    if raw.mode in ("RGBA", "LA", "PA") or "transparency" in raw.info:
        rgba = raw if raw.mode == "RGBA" else raw.convert("RGBA")
        if max(rgba.size) > 2 * WORKING_SIDE:  # before a second canvas of its size is made
            rgba.thumbnail((2 * WORKING_SIDE, 2 * WORKING_SIDE), Image.Resampling.BOX)
        white = Image.new("RGBA", rgba.size, (255, 255, 255, 255))
        raw = Image.alpha_composite(white, rgba)
    image = raw.convert("RGB")
    image.info.pop("exif", None)
    image.getexif().update(exif)
    return image
