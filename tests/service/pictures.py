"""Small photos made up for tests."""

import io

import numpy as np
from PIL import Image, ImageDraw, ImageFilter


def picture(seed: int, size=(320, 240)) -> Image.Image:
    """A picture unlike those of other seeds: soft shapes."""
    rng = np.random.default_rng(seed)
    image = Image.new("RGB", size, tuple(int(v) for v in rng.integers(0, 255, 3)))
    pen = ImageDraw.Draw(image)
    for _ in range(12):
        x, y = rng.uniform(0, size[0]), rng.uniform(0, size[1])
        r = rng.uniform(15, 90)
        pen.ellipse(
            (x - r, y - r, x + r, y + r), fill=tuple(int(v) for v in rng.integers(0, 255, 3))
        )
    return image.filter(ImageFilter.GaussianBlur(2))


def jpeg(image: Image.Image, quality=90, exif=b"") -> bytes:
    """A picture as JPEG."""
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=quality, exif=exif)
    return buffer.getvalue()


def telling_exif(turn=6) -> bytes:
    """EXIF as phones write it: orientation, time, place, maker, serial numbers."""
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0110] = turn, "SecretMaker", "SecretModel"
    exif.get_ifd(0x8769).update({0x9003: "2026:05:03 07:08:09", 0xA431: "SERIAL4711"})
    exif.get_ifd(0x8825).update({1: "N", 2: (51.0, 30.0, 0.0), 3: "E", 4: (7.0, 27.0, 0.0)})
    return exif.tobytes()
