"""People who read photos: blind readings, how far they agree, and how far each is to be trusted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from genetics.combs import Array
from genetics.evidence import SAID, from_person
from genetics.rater_agreement import Person, Said, alpha, coarse, estimate, kappa
from service.flock.evidence import Observation
from service.records.birds import day_of, photos_of_birds
from service.records.readings import model_reading, newest_looks, reading_from_row
from service.records.tables import PhotoRow, ReadingRow
from service.wording.sentences import Message


@dataclass(frozen=True)
class Agreement:
    """How far the people who read photos blind agree."""

    people: tuple[Person, ...]
    pairs: tuple[tuple[str, str, int, int, float | None], ...]
    """Two people, photos both read, of these alike (coarse comb), Cohen's kappa."""
    alpha: float | None
    """Krippendorff's alpha of all."""

    def as_json(self) -> dict[str, object]:
        """For a program."""
        return {
            "people": [
                {
                    "name": p.name,
                    "blind_readings": p.readings,
                    "right": round(p.right_evenly, 6),
                    "confusion": [[round(v, 6) for v in row] for row in p.confusion.tolist()],
                }
                for p in self.people
            ],
            "pairs": [
                {"people": [a, b], "photos": n, "alike": same, "kappa": k}
                for a, b, n, same, k in self.pairs
            ],
            "alpha": self.alpha,
        }


def blind_readings(session: Session) -> tuple[list[Said], dict[int, Array]]:
    """Return the newest blind reading of each person and photo, and what the model makes of the
    photos.
    """
    query = (
        select(PhotoRow)
        .join(ReadingRow)
        .where(ReadingRow.person, ReadingRow.blind)
        .options(selectinload(PhotoRow.readings))
        .distinct()
    )
    said, known = [], {}
    for photo in session.scalars(query):
        newest = {r.by: r for r in photo.readings if r.person and r.blind}
        said += [Said(photo.id, r.by, r.comb) for r in newest.values() if r.comb in SAID]
        models = [r for r in photo.readings if not r.person]
        if models:
            reading = reading_from_row(models[-1])
            if reading.pile != "new_photo":
                known[photo.id] = np.asarray(reading.comb)
    return sorted(said, key=lambda s: (s.item, s.by)), known


def people(session: Session) -> dict[str, Person]:
    """Each person's estimated slips."""
    said, known = blind_readings(session)
    return estimate(said, known)


def agreement(session: Session) -> Agreement:
    """Who agrees with whom, on photos that both read blind."""
    said, known = blind_readings(session)
    words = {(s.item, s.by): coarse(s.word) for s in said}
    names = sorted({s.by for s in said})
    pairs = []
    for a, b in combinations(names, 2):
        both = sorted({s.item for s in said if (s.item, a) in words and (s.item, b) in words})
        seen = [(words[i, a], words[i, b]) for i in both]
        if seen:
            pairs.append((a, b, len(seen), sum(x == y for x, y in seen), kappa(seen)))
    return Agreement(tuple(estimate(said, known).values()), tuple(pairs), alpha(said))


def people_observations(
    session: Session, known: dict[str, Person], bands: Iterable[str] | None = None
) -> dict[str, list[Observation]]:
    """Persons' newest look at each photo, by band, weighed by each person's own slips."""
    by_person = (
        select(ReadingRow.id)
        .where(ReadingRow.photo_sha256 == PhotoRow.sha256, ReadingRow.person)
        .exists()
    )
    found: dict[str, list[Observation]] = {}
    for photo in photos_of_birds(session, by_person, bands):
        assert photo.bird is not None
        model = model_reading(photo)
        for reading, blind in newest_looks(photo):
            if reading.comb not in SAID:  # can't tell, or another comb: nothing for R and P
                continue
            by = reading.by
            confirms = model is not None and coarse(model.best) == coarse(reading.comb)
            who = known.get(by)
            likelihood = from_person(reading.comb, who.confusion if who else None, blind, confirms)
            source = Message(
                "source_blind" if blind else "source_not_blind", name=photo.name, who=by
            )
            found.setdefault(photo.bird.band, []).append(
                Observation(source, likelihood, reading.comb, True, by, day_of(photo.taken))
            )
    return found
