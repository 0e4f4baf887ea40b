"""Colours that are read in sunlight: contrast by WCAG 2.2 (relative luminance), from the styles."""

import re

import pytest

from tests.conftest import ROOT

STYLES = (ROOT / "service/web/static/combwright.css").read_text(encoding="utf-8")
LEAST = 7.0  # WCAG 2.2, 1.4.6, level AAA
INKS = ("ink", "soft", "act", "second", "photo", "settled")


def palettes():
    """The colours of light and dark, by name."""
    light, dark = (
        dict(re.findall(r"--([\w-]+): (#\w+)", block))
        for block in re.findall(r":root \{(.*?)\}", STYLES, re.DOTALL)[:2]
    )
    return {"light": light, "dark": light | dark}


def luminance(colour):
    """Relative luminance of an sRGB colour, as WCAG 2.2 defines it."""
    digits = colour.lstrip("#")
    digits = "".join(d * 2 for d in digits) if len(digits) == 3 else digits
    parts = (int(digits[k : k + 2], 16) / 255 for k in (0, 2, 4))
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    """Contrast of two colours, 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_worked_out_as_published():
    """WCAG's own ends: black on white is 21, a colour on itself 1; #767676 on white is 4.54."""
    assert contrast("#000", "#ffffff") == pytest.approx(21)
    assert contrast("#abc", "#aabbcc") == pytest.approx(1)
    assert contrast("#767676", "#fff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_whatever_is_written_is_read_in_sunlight(theme):
    colours = palettes()[theme]
    for ground in ("paper", "card"):
        for ink in INKS:
            assert contrast(colours[ink], colours[ground]) >= LEAST, (ink, ground)
    assert contrast(colours["on-act"], colours["act"]) >= LEAST
