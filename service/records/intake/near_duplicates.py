"""Photos that are near-duplicates: bursts, and copies sent through a messenger.

Hashes that differ in at most six of 64 bits differ in at most one bit in at least one of four
parts of sixteen (pigeonhole), so an index over the parts finds every one of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from PIL import Image
from sqlalchemy import Connection, event, insert, select, union
from sqlalchemy.orm import Mapper, Session

from service.records.database import lots
from service.records.tables import HashPartRow, PhotoRow

# Of 64 bits. Copies at half the size and JPEG quality 50 differ by up to 4, other pictures by 14 or
# more (measured on the 39 photos of the demo and 400 rendered heads).
ALIKE = 6
PARTS, BITS = 4, 16


def likeness(picture: Image.Image) -> str:
    """Perceptual hash of an upright picture, 64 bits as hexadecimal (the DCT hash of ImageHash)."""
    import imagehash

    return str(imagehash.phash(picture))


def distance(one: str, other: str) -> int:
    """In how many bits two hashes differ.

    >>> distance('ff00000000000000', 'fe00000000000001')
    2
    """
    return (int(one, 16) ^ int(other, 16)).bit_count()


def parts_of(code: str) -> list[int]:
    """Return a hash as four numbers of sixteen bits, the highest first.

    >>> parts_of('0001000200030004')
    [1, 2, 3, 4]
    """
    return [int(code[4 * part : 4 * part + 4], 16) for part in range(PARTS)]


def within_one_bit(value: int) -> list[int]:
    """Return a part and all that differ from it in one bit (17)."""
    return [value, *(value ^ (1 << bit) for bit in range(BITS))]


def nearest(session: Session, code: str) -> str:
    """SHA-256 of the earlier photo that is a near-duplicate, or nothing."""
    queries = [
        select(HashPartRow.photo_id).where(
            HashPartRow.part == part, HashPartRow.value.in_(within_one_bit(value))
        )
        for part, value in enumerate(parts_of(code))
    ]
    found: list[tuple[int, int, str]] = []
    for some in lots(session.scalars(union(*queries)).all()):
        query = select(PhotoRow.id, PhotoRow.likeness, PhotoRow.sha256)
        for number, other, sha256 in session.execute(
            query.where(PhotoRow.id.in_(some), PhotoRow.like == "")
        ):
            found.append((distance(code, other), number, sha256))
    best = min(found, default=None)
    return best[2] if best is not None and best[0] <= ALIKE else ""


def rows_for(photos: Iterable[tuple[int, str]]) -> Iterator[dict[str, int]]:
    """Rows of the index for photos by key and hash."""
    for number, code in photos:
        for part, value in enumerate(parts_of(code) if code else ()):
            yield {"part": part, "value": value, "photo_id": number}


@event.listens_for(PhotoRow, "after_insert")
def index_photo(mapper: Mapper[PhotoRow], connection: Connection, photo: PhotoRow) -> None:
    """Every photo that comes into the records comes into the index."""
    rows = list(rows_for([(photo.id, photo.likeness)]))
    if rows:
        connection.execute(insert(HashPartRow), rows)


def index_all(session: Session) -> None:
    """Fill an empty index from all kept photos, after records were replaced as a whole."""
    photos = session.execute(select(PhotoRow.id, PhotoRow.likeness)).all()
    for some in lots(list(rows_for((row.id, row.likeness) for row in photos))):
        session.execute(insert(HashPartRow), list(some))
