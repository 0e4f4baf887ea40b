"""Whose photo it is: from the file's name, or from a label with a QR code in the picture."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from pathlib import PurePosixPath

from PIL import Image

from service.errors import UsageMistake

MARK = "combwright:bird:"  # what our own labels hold before the band
STEM = re.compile(r"^(?P<band>.+?)(?:[-_ ](?:\d{1,3}|[a-z]))?$", re.IGNORECASE)


def pattern_of(text: str) -> re.Pattern[str]:
    """Return the user's own pattern, such as 'IMG_{band}_{any}'; raises UsageMistake.

    >>> pattern_of('pen3-{band}-{any}').match('pen3-17-left')['band']
    '17'
    """
    if text.count("{band}") != 1:
        raise UsageMistake("pattern_without_band", pattern=text)
    parts = re.split(r"(\{band\}|\{any\})", text)
    made = "".join(
        {"{band}": "(?P<band>.+?)", "{any}": ".*?"}.get(part, re.escape(part)) for part in parts
    )
    return re.compile(f"^{made}$", re.IGNORECASE)


def band_in_name(
    name: str, known: Collection[str], pattern: re.Pattern[str] | None = None
) -> str | None:
    """Return the band that a file's name tells.

    With `pattern` any band that it finds; else only a known one: the whole stem, or the stem
    without the number at its end.

    >>> band_in_name('lot/17-2.jpg', {'17'})
    '17'
    >>> band_in_name('IMG_2041.jpg', {'17'})
    """
    stem = PurePosixPath(name.replace("\\", "/")).stem.strip()
    if pattern is not None:
        found = pattern.match(stem)
        return found["band"].strip() if found else None
    if stem in known:
        return stem
    found = STEM.match(stem)
    return found["band"] if found and found["band"] in known else None


def codes_in_picture(picture: Image.Image) -> list[str]:
    """Return the texts of all codes in a picture."""
    import zxingcpp

    return [code.text.strip() for code in zxingcpp.read_barcodes(picture.convert("L"))]


def band_of_codes(codes: Iterable[str], known: Collection[str]) -> str | None:
    """Return the band on a photographed label; None without one, or with two that differ.

    Our own labels name the band after a mark; another code counts if it is a known band.
    """
    found = set()
    for text in codes:
        if text.startswith(MARK):
            found.add(text.removeprefix(MARK)[:80])
        elif text in known:
            found.add(text)
    return found.pop() if len(found) == 1 else None
