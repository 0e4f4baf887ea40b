"""Photos that show all but the same: bursts, and copies sent through a messenger."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

# Of 64 bits. Copies at half the size and JPEG quality 50 differ by up to 4, other pictures by 14 or
# more (measured on the 39 photos of the demo and 400 rendered heads).
ALIKE = 6


def likeness(picture: Image.Image) -> str:
    """Perceptual hash of an upright picture, 64 bits as hexadecimal (the DCT hash of ImageHash)."""
    import imagehash

    return str(imagehash.phash(picture))


def bits(code: str) -> int:
    """A hash as a number."""
    return int(code, 16)


def most_alike(code: str, others: NDArray[np.uint64]) -> int | None:
    """Place of the hash among `others` that is nearest, if it is near enough; else None."""
    if not len(others):
        return None
    differing = (others ^ np.uint64(bits(code)))[:, None].view(np.uint8)
    distance = np.unpackbits(differing, axis=1).sum(1)
    nearest = int(distance.argmin())
    return nearest if distance[nearest] <= ALIKE else None
