"""Photos with all that a list of them shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy.orm import Session

from classifier.reading import Reading
from classifier.vocabulary import COMBS
from service.answers.assessments import assess_birds
from service.flock.assessment import Item
from service.records.readings import model_reading, person_comb
from service.records.tables import PhotoRow
from service.wording.language import translated
from service.wording.sentences import Coded, word

if TYPE_CHECKING:
    from classifier.explain import PanelWords


@dataclass(frozen=True)
class Card:
    """A photo (its `readings` and `bird` loaded) and what is made of it."""

    photo: PhotoRow
    reading: Reading | None
    """By the model."""
    corrected: str
    """By a person, the newest; empty for 'can't tell' as well."""
    looked_at: bool
    item: Item | None
    """Its bird judged with all its relatives."""

    @property
    def age_weeks(self) -> int | None:
        """Age of the bird on its photo, where both days are known."""
        bird, taken = self.photo.bird, self.photo.taken
        if bird is None or bird.hatched is None or taken is None:
            return None
        weeks = (taken.date() - bird.hatched).days // 7
        return weeks if weeks >= 0 else None

    @property
    def proposal(self) -> str | None:
        """The comb that the bird is taken for."""
        if self.item:
            return self.item.proposal
        return self.reading.proposal if self.reading else None

    @property
    def confidence(self) -> float:
        """How sure that is."""
        if self.item:
            return self.item.confidence
        return self.reading.confidence if self.reading else 0.0

    @property
    def by(self) -> tuple[str, ...]:
        """Who settled it, if people did."""
        return self.item.by if self.item else ()

    @property
    def pile(self) -> str:
        """The pile it lies in; empty while it waits to be read."""
        if self.item:
            return self.item.pile
        return self.reading.pile if self.reading else ""

    @property
    def doubts(self) -> tuple[Coded, ...]:
        """Why it isn't settled."""
        if self.item:
            return self.item.reasons
        return self.reading.doubts if self.reading else ()


def cards_of(records: Session, photos: Sequence[PhotoRow]) -> list[Card]:
    """Cards of some photos, in their order."""
    items = assess_birds(records, {p.bird.band for p in photos if p.bird})
    return [
        Card(
            photo,
            model_reading(photo),
            person_comb(photo),
            any(r.person for r in photo.readings),
            items.get(photo.bird.band) if photo.bird else None,
        )
        for photo in photos
    ]


def panel_words(comb: str) -> PanelWords:
    """Return what is written below the pictures that explain a reading, in the language at hand."""
    from classifier.explain import PanelWords

    return PanelWords(
        translated("comb outlined"),
        translated("what speaks for {comb}").format(comb=word(comb)),
        translated("looks most like these renders"),
        {name: word(name) for name in COMBS},
    )
