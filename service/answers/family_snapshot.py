"""What the candidates of a family rest on: gathered from the records, told by one key.

Birds hang together by their parents, possible parents and counted matings. The key is the hash of
the likelihoods, parents, counts and numbers that go in: the same content is never worked out
twice, and an answer can't outlive what it rests on.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from genetics.numbers import TABLES, toml
from genetics.rater_agreement import Person
from service.answers.raters import people_observations
from service.flock.counts_csv import Counted
from service.flock.evidence import Evidence, evidence_of
from service.flock.flock_csv import OR, Flock
from service.records.birds import photo_days, stored_counts, stored_flock, stored_readings
from service.records.database import lots
from service.records.tables import (
    AnswerRow,
    BirdRow,
    ChangeRow,
    HatchRow,
    MatingRow,
    PenBirdRow,
)
from service.wording.sentences import as_data


@dataclass(frozen=True)
class Grounds:
    """What evidence is weighed by, whatever the family."""

    known: dict[str, Person]
    """People's estimated slips."""
    prior: tuple[float, ...]
    """The training prior of the reader."""
    on: date
    """The day for ages."""

    def evidence_by_band(
        self, session: Session, flock: Flock, bands: Iterable[str]
    ) -> dict[str, Evidence]:
        """All that was seen of some birds of a flock itself, by band."""
        wanted = set(bands)
        readings = stored_readings(session, wanted)
        looks = people_observations(session, self.known, wanted)
        days = photo_days(session, readings)
        return {
            b.bird: evidence_of(
                b,
                readings.get(b.bird, ()),
                self.prior,
                self.on,
                looks.get(b.bird, ()),
                days.get(b.bird),
            )
            for b in flock.birds
            if b.bird in wanted
        }


@dataclass(frozen=True)
class Question:
    """What a family's answers rest on, gathered at one moment, and which of them are wanted."""

    flock: Flock
    seen: list[Evidence]
    counted: tuple[Counted, ...]
    key: str
    ids: dict[str, int]
    rows: list[int]
    """Rows whose answers are out of date."""
    stamp: int
    """The last change on the trail when this was gathered."""
    grounds: Grounds

    def band(self, row: int) -> str:
        """Band of a row."""
        return self.flock.birds[row].bird


def families(session: Session) -> list[tuple[str, ...]]:
    """Bands of all birds by family, in the order of their first bird.

    Those that hatched on one day go together as well: their bands may have been mixed up.
    """
    rows = session.execute(select(BirdRow.band, BirdRow.hatched).order_by(BirdRow.id)).all()
    links = list(ties(session))
    of_day: dict[date, int] = {}
    for i, row in enumerate(rows):
        if row.hatched is not None:
            links.append((i, of_day.setdefault(row.hatched, i)))
    one, other = np.array(links, int).reshape(-1, 2).T
    graph = coo_array((np.ones(len(one)), (one, other)), shape=(len(rows), len(rows)))
    family_of = connected_components(graph, directed=False)[1] if rows else []
    groups: dict[int, list[str]] = {}
    for row, family in zip(rows, family_of, strict=True):
        groups.setdefault(int(family), []).append(row.band)
    return [tuple(bands) for bands in groups.values()]


def ties(session: Session) -> Iterator[tuple[int, int]]:
    """Yield birds that hang together by parents, possible parents and counted matings, as pairs of
    places among all birds in the order of the records.
    """
    rows = session.execute(
        select(BirdRow.id, BirdRow.band, BirdRow.sire, BirdRow.dam, BirdRow.hatch_id).order_by(
            BirdRow.id
        )
    ).all()
    place = {row.band: i for i, row in enumerate(rows)}
    by_id = {row.id: i for i, row in enumerate(rows)}
    pens: dict[int, list[int]] = {}
    for stay in session.execute(select(PenBirdRow.pen_id, PenBirdRow.bird_id)):
        pens.setdefault(stay.pen_id, []).append(by_id[stay.bird_id])
    hatches = dict(session.execute(select(HatchRow.id, HatchRow.pen_id)).all())
    for i, row in enumerate(rows):
        for parents in (row.sire, row.dam):
            for band in [parents] if parents in place else parents.split(OR):
                if band in place:
                    yield i, place[band]
        if not (row.sire and row.dam):
            for mate in pens.get(hatches.get(row.hatch_id) or 0, ()):
                yield i, mate
    for mating in session.execute(select(MatingRow.sire_id, MatingRow.dam_id)):
        yield by_id[mating.sire_id], by_id[mating.dam_id]


class Kinship:
    """Which birds hang together: found once, and anew when the records have changed since."""

    def __init__(self) -> None:
        self.stamp: int | None = None
        self.families: list[tuple[str, ...]] = []
        self.family: dict[str, tuple[str, ...]] = {}

    def look(self, session: Session) -> list[tuple[str, ...]]:
        """Return all families as they are in this state of the records."""
        stamp = last_change(session)
        if stamp != self.stamp:
            self.stamp, self.families = stamp, families(session)
            self.family = {band: family for family in self.families for band in family}
        return self.families

    def family_of(self, session: Session, band: str) -> tuple[str, ...]:
        """Return the family of a bird as it is now; nobody if the bird is gone."""
        self.look(session)
        return self.family.get(band, ())


def numbers_digest() -> bytes:
    """Return a hash of all numbers that genetics rests on."""
    numbers = json.dumps([toml(name) for name in TABLES], sort_keys=True, default=str)
    return hashlib.sha256(numbers.encode()).digest()


def key_of(flock: Flock, evidence: Sequence[Evidence], counted: Sequence[Counted]) -> str:
    """Return the hash of what a family's answers rest on."""
    content = hashlib.sha256(numbers_digest())
    for i, (bird, seen) in enumerate(zip(flock.birds, evidence, strict=True)):
        words = [bird.bird, bird.sire, bird.dam, str(bird.hatched), bird.sex, bird.genotype]
        words += [bird.extra.get("variety", ""), str(seen.crest), str(seen.beard)]
        words += [str(flock.candidate_parents.get(i)), repr(as_data(seen.wattles_note))]
        words += [
            f"{as_data(look.source)}|{look.comb}|{look.by}|{look.moment}"
            for look in seen.observations
        ]
        content.update("\x1f".join(words).encode())
        for table in (
            seen.wattles,
            seen.genotype,
            *(look.likelihood for look in seen.observations),
        ):
            content.update(np.ascontiguousarray(table, np.float64).tobytes())
    content.update(repr(counted).encode())
    return content.hexdigest()


def last_change(session: Session) -> int:
    """Return the newest entry of the trail."""
    return session.scalar(select(func.max(ChangeRow.id))) or 0


def on_record(
    session: Session, bands: Sequence[str], grounds: Grounds
) -> tuple[Flock, list[Evidence], tuple[Counted, ...]]:
    """Return some birds, whose parents must be among them, with all that is known of them."""
    flock = stored_flock(session, bands)
    weighed = grounds.evidence_by_band(session, flock, bands)
    return flock, [weighed[b.bird] for b in flock.birds], stored_counts(session, flock)


def gather(session: Session, bands: Sequence[str], grounds: Grounds) -> Question:
    """Return what a family's answers rest on now, and which of those kept don't any more."""
    stamp = last_change(session)
    ids = rows_of(session, bands)
    flock, seen, counted = on_record(session, list(ids), grounds)
    key = key_of(flock, seen, counted)
    kept = [
        row_key
        for some in lots(list(ids.values()))
        for row_key in session.scalars(select(AnswerRow.key).where(AnswerRow.bird_id.in_(some)))
    ]
    done = len(kept) == len(ids) and set(kept) == {key}
    rows = [] if done else list(range(len(flock.birds)))
    return Question(flock, seen, counted, key, ids, rows, stamp, grounds)


def rows_of(session: Session, bands: Sequence[str]) -> dict[str, int]:
    """Keys of birds by band."""
    found: dict[str, int] = {}
    for some in lots(bands):
        query = select(BirdRow.band, BirdRow.id).where(BirdRow.band.in_(some))
        found |= {band: number for band, number in session.execute(query)}
    return found
