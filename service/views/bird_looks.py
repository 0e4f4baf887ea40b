"""What was seen of a bird: on each of its photos, and of crest, beard and wattles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from classifier.reading import Reading
from service.records.readings import model_reading
from service.records.tables import BirdRow, PhotoRow, SightingRow
from service.wording.sentences import say


@dataclass(frozen=True)
class Noted:
    """Crest, beard and wattles as last noted, in the list or by a sighting."""

    crest: bool | None
    beard: bool | None
    wattles: str


@dataclass(frozen=True)
class PhotoLook:
    """One photo with the model's reading and what people saw on it."""

    sha256: str
    name: str
    suffix: str
    counted: bool
    """False if it is a near-duplicate of an earlier one."""
    reading: Reading | None
    alike: tuple[str, ...]
    """Combs that it could also be, by the plausible set."""
    people: tuple[tuple[str, str, bool], ...]
    """Who, the comb, whether blind."""

    def as_json(self) -> dict[str, Any]:
        """Return the photo for programs."""
        return {
            "sha256": self.sha256,
            "name": self.name,
            "counted": self.counted,
            "reading": self.reading.as_json(say) if self.reading else None,
            "could_also_be": list(self.alike),
            "people": [{"by": w, "comb": c, "blind": b} for w, c, b in self.people],
        }


def last_noted(session: Session, row: BirdRow) -> Noted:
    """Return what was last noted of a bird."""
    found = Noted(row.crest, row.beard, row.wattles)
    query = select(SightingRow).where(SightingRow.bird_id == row.id).order_by(SightingRow.id)
    for now in session.scalars(query):
        found = Noted(
            found.crest if now.crest is None else now.crest,
            found.beard if now.beard is None else now.beard,
            now.wattles or found.wattles,
        )
    return found


def look_of(photo: PhotoRow) -> PhotoLook:
    """One photo as the opinion takes it."""
    reading = model_reading(photo)
    others: tuple[str, ...] = ()
    if reading and reading.proposal:
        others = tuple(c for c in reading.plausible if c != reading.best)
    people = tuple((r.by, r.comb, r.blind) for r in photo.readings if r.person)
    return PhotoLook(
        photo.sha256, photo.name, photo.suffix, not photo.like, reading, others, people
    )
