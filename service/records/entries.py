"""What a keeper writes down by hand: pens, hatches, chicks counted, sightings, decisions.

All take a session that writes and raise StoreError for what doesn't fit; words are checked here,
whatever page or command they came from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from genetics.counts import CountError, check_counts
from genetics.evidence import WATTLE_WORDS
from genetics.messages import Place
from service.errors import NotFound, Refusal
from service.records.readings import row_from_person
from service.records.states import SEEN
from service.records.tables import (
    BirdRow,
    CountRow,
    DecisionRow,
    HatchRow,
    MatingRow,
    PenBirdRow,
    PenRow,
    PhotoRow,
    SightingRow,
)

# What may be decided about a bird. None of them is advice; each is the keeper's own.
CHOICES = ("keep", "test", "recheck", "layer or pet home", "other")
FINAL = ("keep", "layer or pet home", "other")
"""Choices after which nothing more is to be found out of a bird."""
PURPOSES = ("test", "breeding")


def find_bird(session: Session, band: str) -> BirdRow:
    """Return a kept bird."""
    row = session.scalar(select(BirdRow).where(BirdRow.band == band))
    if row is None:
        raise Refusal("no_such_bird", band=band)
    return row


Named = TypeVar("Named", PenRow, HatchRow)


def find_or_make(session: Session, kind: type[Named], what: str, name: str) -> Named:
    """Return a pen or hatch by its name, made if there is none; `what` is its kind in words."""
    if not name.strip():
        raise Refusal("needs_a_name", what=what)
    row = session.scalar(select(kind).where(kind.name == name.strip()))
    if row is None:
        row = kind(name=name.strip(), notes="")
        session.add(row)
        session.flush()
    return row


def pen(session: Session, name: str) -> PenRow:
    """Return a pen by its name, made if there is none."""
    return find_or_make(session, PenRow, "pen", name)


def move_in(
    session: Session, name: str, bands: Sequence[str], since: date | None, until: date | None = None
) -> PenRow:
    """Birds in a pen from one day to another, None for an open end; an open stay is closed."""
    if since and until and until < since:
        raise Refusal("stay_turned", until=until, since=since)
    row = pen(session, name)
    for band in bands:
        who = find_bird(session, band)
        if since is not None:
            open_stays = select(PenBirdRow).where(
                PenBirdRow.bird_id == who.id, PenBirdRow.until.is_(None)
            )
            for stay in session.scalars(open_stays):
                if stay.pen_id != row.id and (stay.since is None or stay.since <= since):
                    stay.until = since
        session.add(PenBirdRow(pen_id=row.id, bird_id=who.id, since=since, until=until))
    session.flush()
    return row


def living_in(session: Session, name: str) -> set[str]:
    """Return the bands of the birds that live in a pen; none if there is no such pen."""
    query = select(BirdRow.band).join(PenBirdRow, PenBirdRow.bird_id == BirdRow.id).join(PenRow)
    query = query.where(PenRow.name == name.strip(), PenBirdRow.until.is_(None))
    return set(session.scalars(query))


def move_out(session: Session, name: str, bands: Sequence[str], on: date) -> int:
    """Close birds' open stays in a pen; returns how many."""
    row = pen(session, name)
    count = 0
    for band in bands:
        stays = session.scalars(
            select(PenBirdRow).where(
                PenBirdRow.pen_id == row.id,
                PenBirdRow.bird_id == find_bird(session, band).id,
                PenBirdRow.until.is_(None),
            )
        ).all()
        if not stays:
            raise Refusal("not_in_pen", band=band, pen=name)
        for stay in stays:
            if stay.since and on < stay.since:
                raise Refusal("came_later", band=band, pen=name, since=stay.since)
            stay.until = on
            count += 1
    return count


def enter_hatch(
    session: Session,
    name: str,
    pen_name: str = "",
    hatched: date | None = None,
    eggs: int | None = None,
    chicks: int | None = None,
    bands: Sequence[str] = (),
) -> HatchRow:
    """Return a hatch by its name, made or added to; `bands` are birds that came from it.

    Raises StoreError, or FlockError if the birds wouldn't fit their parents any more.
    """
    row = find_or_make(session, HatchRow, "hatch", name)
    row.pen_id = pen(session, pen_name).id if pen_name else row.pen_id
    row.hatched = hatched or row.hatched
    row.eggs = row.eggs if eggs is None else eggs
    row.chicks = row.chicks if chicks is None else chicks
    if min(row.eggs or 0, row.chicks or 0) < 0 or (
        row.eggs is not None and row.chicks is not None and row.chicks > row.eggs
    ):
        raise Refusal("more_chicks_than_eggs", chicks=row.chicks, eggs=row.eggs)
    session.flush()
    for band in bands:
        who = find_bird(session, band)
        who.hatch_id = row.id
        who.hatched = who.hatched or row.hatched
    session.flush()
    return row


def check_pair(one: BirdRow, other: BirdRow) -> None:
    """Refuse two birds that can't be mated. Raises Refusal."""
    if one.id == other.id:
        raise Refusal("sire_is_dam")
    if one.sex and one.sex == other.sex:
        raise Refusal("two_of_a_sex", band=one.band, other_band=other.band, sex=one.sex)


def enter_chicks(
    session: Session,
    sire: str,
    dam: str,
    chicks: Mapping[str, int],
    by: str,
    purpose: str = "breeding",
    started: date | None = None,
) -> MatingRow:
    """Chicks of a mating that were counted by comb, without bands; they add to earlier ones."""
    if purpose not in PURPOSES:
        raise Refusal("unknown_purpose", purpose=purpose, known=tuple(PURPOSES))
    cock, hen = find_bird(session, sire), find_bird(session, dam)
    for who, sex in ((cock, "cock"), (hen, "hen")):
        if who.sex not in ("", sex):
            raise Refusal("recorded_as", band=who.band, sex=who.sex)
    if cock.id == hen.id:
        raise Refusal("sire_is_dam")
    pair = select(MatingRow).where(MatingRow.sire_id == cock.id, MatingRow.dam_id == hen.id)
    total = dict(chicks)
    for mating in session.scalars(pair):
        for count in mating.counts:
            total[count.comb] = total.get(count.comb, 0) + count.chicks
    try:
        check_counts(dict(chicks))
        check_counts(total)
    except CountError as error:
        raise Refusal(error.code, place=Place(f"{sire} x {dam}"), **error.values) from None
    query = pair.where(MatingRow.purpose == purpose)
    same_day = MatingRow.started.is_(None) if started is None else MatingRow.started == started
    row = session.scalar(query.where(same_day))
    if row is None:
        row = MatingRow(sire_id=cock.id, dam_id=hen.id, purpose=purpose, started=started, notes="")
        session.add(row)
    for comb, number in chicks.items():
        row.counts.append(CountRow(comb=comb, chicks=number, by=by, made=datetime.now(UTC)))
    session.flush()
    return row


def enter_sighting(
    session: Session,
    band: str,
    by: str,
    crest: bool | None = None,
    beard: bool | None = None,
    wattles: str = "",
    seen_on: date | None = None,
) -> SightingRow:
    """Crest, beard and wattles as seen on a day; what isn't told stays as it was."""
    if wattles and wattles not in WATTLE_WORDS:
        raise Refusal("unknown_wattles", size=wattles, known=tuple(WATTLE_WORDS))
    if crest is None and beard is None and not wattles:
        raise Refusal("nothing_seen")
    row = SightingRow(
        bird_id=find_bird(session, band).id,
        made=datetime.now(UTC),
        by=by,
        crest=crest,
        beard=beard,
        wattles=wattles,
        seen_on=seen_on,
    )
    session.add(row)
    session.flush()
    return row


def enter_decision(
    session: Session, band: str, by: str, choice: str, reason: str, recheck: date | None = None
) -> DecisionRow:
    """Return what the keeper decided about a bird, with the reason.

    Earlier decisions stay on record.
    """
    if choice not in CHOICES:
        raise Refusal("unknown_choice", choice=choice, known=tuple(CHOICES))
    if not reason.strip():
        raise Refusal("no_reason")
    if choice == "recheck" and recheck is None:
        raise Refusal("no_recheck_day")
    row = DecisionRow(
        bird_id=find_bird(session, band).id,
        made=datetime.now(UTC),
        by=by,
        choice=choice,
        reason=reason.strip(),
        recheck=recheck,
    )
    session.add(row)
    session.flush()
    return row


def bands_of_hatch(session: Session, row: HatchRow) -> list[str]:
    """Bands of the birds that came from a hatch."""
    return list(session.scalars(select(BirdRow.band).where(BirdRow.hatch_id == row.id)))


def find_photo(session: Session, name: str) -> PhotoRow:
    """Return a photo by its SHA-256, by eight or more signs of its beginning, or by its own name.

    Raises NotFound if there is none, or several.
    """
    query = select(PhotoRow).options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    row = session.scalar(query.where(PhotoRow.sha256 == name))
    if row is not None:
        return row
    found = session.scalars(query.where(PhotoRow.name == name).limit(2)).all()
    if not found and len(name) >= 8:
        beginning = PhotoRow.sha256.startswith(name, autoescape=True)
        found = session.scalars(query.where(beginning).limit(2)).all()
    if len(found) > 1:
        raise NotFound("several_photos", name=name)
    if not found:
        raise NotFound("no_such_photo_kept")
    return found[0]


def enter_comb(session: Session, sha256: str, comb: str, by: str, blind: bool) -> str | None:
    """Write down what a person sees on a photo; returns its bird's band.

    Empty is 'can't tell', `none_of_these` another comb, as a trimmed one.

    A second look at a photo by the same person isn't blind any more, whatever was said. Raises
    StoreError for an unknown comb or photo.
    """
    if comb and comb not in SEEN:
        raise Refusal("unknown_comb", comb=comb, known=tuple(SEEN))
    row = session.scalar(
        select(PhotoRow)
        .where(PhotoRow.sha256 == sha256)
        .options(selectinload(PhotoRow.readings), selectinload(PhotoRow.bird))
    )
    if row is None:
        raise NotFound("no_such_photo_kept")
    again = any(r.person and r.by == by for r in row.readings)
    row.readings.append(row_from_person(by, datetime.now(UTC), comb, blind and not again))
    return row.bird.band if row.bird else None
