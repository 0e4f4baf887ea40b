"""What was written down wrongly put right: a bird's facts, its band, two bands mixed up.

All take a session that writes and raise Refusal for what doesn't fit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from difflib import get_close_matches
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from genetics.genotype import possible
from service.errors import Clash, NotFound, Refusal
from service.flock.flock_csv import OR
from service.records.birds import blank
from service.records.entries import find_bird
from service.records.tables import BirdRow

SEXES = ("", "cock", "hen")
# What may be put right of a bird by hand; looks and sightings are written down anew instead.
FACTS = ("sire", "dam", "sex", "hatched", "genotype", "variety", "status", "notes")
# What a bird has from its egg: this goes with the pedigree when two bands were mixed up.
FROM_THE_EGG = ("sire", "dam", "hatched", "hatch_id")
NEAR = 3  # bands that are offered for one that isn't on record


def new_bird(session: Session, band: str, facts: Mapping[str, Any]) -> BirdRow:
    """Return a bird that wasn't on record. Raises Clash if its band is taken."""
    band = band.strip()
    if not band:
        raise Refusal("band_missing")
    if exists(session, band):
        raise Clash("band_taken", band=band)
    values = checked(session, facts)
    row = blank(band)
    for name, value in values.items():
        setattr(row, name, value)
    session.add(row)
    session.flush()
    return row


def change_facts(session: Session, band: str, facts: Mapping[str, Any]) -> BirdRow:
    """Change some facts of a bird; those left out stay. Raises Refusal."""
    row, values = find_bird(session, band), checked(session, facts)
    for name, value in values.items():
        setattr(row, name, value)
    session.flush()
    return row


def checked(session: Session, facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return facts as they are kept. Raises Refusal for what no bird can be."""
    found = {}
    for name, value in facts.items():
        if name not in FACTS:
            raise Refusal("unknown_fact", name=name, known=FACTS)
        given = value.strip() if isinstance(value, str) else value
        if name == "sex" and given not in SEXES:
            raise Refusal("no_sex_of_birds", sex=given)
        if name == "genotype" and given:
            possible(given)
        if name in ("sire", "dam"):
            check_parents(session, given)
        if name == "hatched" and not (given is None or isinstance(given, date)):
            raise Refusal("unknown_fact", name=name, known=FACTS)
        found[name] = given
    return found


def check_parents(session: Session, said: str) -> None:
    """Refuse parents, '12 or 14', of which one isn't on record."""
    if said and not exists(session, said):
        for band in said.split(OR):
            check_known(session, band.strip())


def exists(session: Session, band: str) -> bool:
    """Whether a bird is on record."""
    return session.scalar(select(BirdRow.id).where(BirdRow.band == band)) is not None


def check_known(session: Session, band: str) -> None:
    """Refuse a band that isn't on record, as it may be mistyped. Raises NotFound."""
    if not exists(session, band):
        raise unknown_band(session, band)


def near_bands(session: Session, band: str) -> list[str]:
    """Return bands on record that one may have been mistyped for, the nearest first."""
    known = session.scalars(select(BirdRow.band)).all()
    return get_close_matches(band, known, NEAR, 0.5)


def unknown_band(session: Session, band: str) -> NotFound:
    """Return the refusal of a band that isn't on record, with those that were perhaps meant."""
    near = tuple(near_bands(session, band))
    if near:
        return NotFound("no_such_bird_near", band=band, other_either=near)
    return NotFound("no_such_bird_yet", band=band)


def rename(session: Session, band: str, other: str) -> list[str]:
    """Give a bird another band, wherever it is named; returns the bands of all it touched."""
    row, other = find_bird(session, band), other.strip()
    if not other:
        raise Refusal("band_missing")
    if other == band:
        raise Refusal("same_band", band=band)
    if exists(session, other):
        raise Clash("band_taken", band=other)
    touched = [other]
    row.band = other
    for chick in session.scalars(select(BirdRow).where(named_in(band))):
        for side in ("sire", "dam"):
            said = getattr(chick, side)
            if band == said or band in said.split(OR):
                parts = [said] if said == band else said.split(OR)
                setattr(chick, side, OR.join(other if part == band else part for part in parts))
                touched.append(chick.band)
    session.flush()
    return touched


def named_in(band: str) -> Any:
    """Which birds may name a band as a parent."""
    return BirdRow.sire.contains(band, autoescape=True) | BirdRow.dam.contains(
        band, autoescape=True
    )


def swap(session: Session, one: str, other: str) -> Sequence[str]:
    """Let two birds change places in the pedigree, as their bands were mixed up when put on.

    Parents, hatch and its day go over; photos, looks, sightings and chicks stay with the band
    under which they were taken down.
    """
    first, second = find_bird(session, one), find_bird(session, other)
    if first.id == second.id:
        raise Refusal("same_band", band=one)
    for name in FROM_THE_EGG:
        mine, theirs = getattr(first, name), getattr(second, name)
        setattr(first, name, theirs)
        setattr(second, name, mine)
    session.flush()
    return [one, other]
