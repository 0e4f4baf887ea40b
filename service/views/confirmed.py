"""Birds whose comb is known beyond the reader's own word, and their photos: what can be learned.

A comb is confirmed by two readings by people that agree, one of them blind, with none against them
(what the list says of the bird in the hand is a reading too), or by relatives and test matings that
leave no other comb. The reader's own readings count for nothing here, neither of the bird nor of
its relatives: it must not teach itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from classifier.reading import Reading
from classifier.vocabulary import COARSE, COMBS, coarse_of
from genetics.combs import penetrance
from service.answers.raters import people, people_observations
from service.flock.evidence import evidence_of
from service.flock.flock_csv import Bird, Flock
from service.flock.inference import infer_flock
from service.records.birds import photos_of_birds, stored_counts, stored_flock
from service.records.readings import model_reading, newest_looks
from service.records.tables import BirdRow, PhotoRow, ReadingRow

NO_OTHER = 0.99  # share of a comb's genotypes by relatives alone from which no other is left
READINGS, RELATIVES = "readings", "relatives"


@dataclass(frozen=True)
class Look:
    """What a person said of a bird: on one of its photos, or of the bird in the hand."""

    by: str
    comb: str
    blind: bool
    photo: str = ""
    """SHA-256; empty for the bird itself."""


@dataclass(frozen=True)
class Confirmed:
    """A bird whose comb is known, and how."""

    band: str
    comb: str
    """A label of `classifier.vocabulary`: a comb, or 'pea' or 'single_or_folded'."""
    how: str
    hatch: int | None
    photos: tuple[PhotoRow, ...]
    """Photos that can be read, near-duplicates left out."""


def confirmed_birds(session: Session, prior: Sequence[float], on: date) -> list[Confirmed]:
    """Return the birds that the reader may learn from, oldest records first."""
    flock = stored_flock(session)
    due = combs_by_relatives(session, flock, prior, on)
    looks = looks_by_band(session, flock)
    rows = session.scalars(
        select(BirdRow)
        .order_by(BirdRow.id)
        .options(selectinload(BirdRow.photos).selectinload(PhotoRow.readings))
    )
    found = []
    for row in rows:
        comb, how = agreed_comb(looks.get(row.band, ())), READINGS
        by_relatives = due.get(row.band, "")
        if comb and by_relatives and coarse_of(comb) != coarse_of(by_relatives):
            continue  # people and pedigree contradict each other: nothing is known for sure
        if not comb:
            comb, how = by_relatives, RELATIVES
        photos = tuple(photo for photo in row.photos if usable(photo))
        if comb and photos:
            found.append(Confirmed(row.band, comb, how, row.hatch_id, photos))
    return found


def usable(photo: PhotoRow) -> bool:
    """Whether a photo can teach: its head can be read, and it is no near-duplicate."""
    reading = model_reading(photo)
    return not photo.like and reading is not None and may_teach(reading)


def may_teach(reading: Reading) -> bool:
    """Whether the head was found and the comb can be made out, whatever it is."""
    return reading.head.source != "whole" and reading.pile != "new_photo"


def agreed_comb(looks: Sequence[Look]) -> str:
    """Return the comb on which two readings agree, one of them blind and none against; else ''.

    Two readings are by two people, or one of the bird in the hand and one of a photo. Of blade and
    triple, or of a single folded and not, 'pea' and 'single_or_folded' remain where they differ.

    >>> agreed_comb([Look("Ada", "rose", True, "a"), Look("Ben", "rose", False, "a")])
    'rose'
    >>> agreed_comb([Look("Ada", "rose", True, "a"), Look("Ada", "rose", True, "b")])
    ''
    """
    known = [look for look in looks if look.comb]
    blind = {look.by for look in known if look.blind}
    sources = {(look.by, not look.photo) for look in known}
    if not blind or len(sources) < 2 or len({coarse_of(look.comb) for look in known}) > 1:
        return ""
    words = {look.comb for look in known}
    group = coarse_of(known[0].comb)
    if group is None:
        return ""
    if len(words) == 1:
        return words.pop()
    return {"single": "single_or_folded"}.get(group, group)


def looks_by_band(session: Session, flock: Flock) -> dict[str, list[Look]]:
    """People's newest looks at each bird: on its photos, and of the bird by the list."""
    found: dict[str, list[Look]] = {}
    for photo in photos_of_birds(session, PhotoRow.readings.any(ReadingRow.person), None):
        assert photo.bird is not None
        looks = found.setdefault(photo.bird.band, [])
        looks += [
            Look(look.by, look.comb, blind, photo.sha256) for look, blind in newest_looks(photo)
        ]
    for bird in flock.birds:
        if coarse_of(bird.comb):
            found.setdefault(bird.bird, []).append(of_the_list(bird))
    return found


def of_the_list(bird: Bird) -> Look:
    """Return what the list says of a bird as a look; without a name it is somebody's."""
    return Look(bird.comb_by or "", bird.comb, blind=False)


def combs_by_relatives(
    session: Session, flock: Flock, prior: Sequence[float], on: date
) -> dict[str, str]:
    """Return the coarse comb that relatives and test matings leave, by band, as a label.

    The bird's own looks and the reader's readings of all birds are left out.
    """
    if not flock.birds:
        return {}
    looks = people_observations(session, people(session))
    seen = [evidence_of(b, (), prior, on, looks.get(b.bird, ())) for b in flock.birds]
    found = infer_flock(flock, seen, stored_counts(session, flock))
    around = found.combs.marginals / np.maximum(found.likelihoods, 1e-12)
    around = around / around.sum(1, keepdims=True)
    # By genotype: how a comb shows (an odd one, one that a crest folds) is what is to be learned.
    shown = [str(coarse_of(COMBS[comb])) for comb in penetrance(False).argmax(1)]
    labels = {"single": "single_or_folded"}
    left = {}
    for bird, chances in zip(flock.birds, around, strict=True):
        for group in COARSE:
            share = sum(chances[i] for i, comb in enumerate(shown) if comb == group)
            if share >= NO_OTHER:
                left[bird.bird] = labels.get(group, group)
    return left


def by_coarse_comb(birds: Iterable[Confirmed]) -> dict[str, int]:
    """Return how many birds of each coarse comb are confirmed."""
    found = dict.fromkeys(COARSE, 0)
    for bird in birds:
        found[str(coarse_of(bird.comb))] += 1
    return found
