"""Pens, hatches, counted chicks, decisions: what a keeper writes down about the flock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from sqlalchemy.orm import Session

from service.actions.desk import Act, Desk, perform
from service.records import entries
from service.wording.sentences import Message


def move_into_pen(
    desk: Desk,
    pen: str,
    bands: Sequence[str],
    since: date | None = None,
    until: date | None = None,
) -> Act:
    """Birds live in a pen from a day on, None for an open end; without birds it is only made."""

    def work(session: Session) -> Sequence[str]:
        entries.move_in(session, pen, bands, since, until)
        return bands

    said = Message("act_move_in", pen=pen.strip(), bands=tuple(bands))
    if not bands:
        said = Message("act_pen", pen=pen.strip())
    return perform(desk, said, work, relations=True)


def move_out_of_pen(desk: Desk, pen: str, bands: Sequence[str], on: date | None = None) -> Act:
    """Birds leave a pen, today if no day is given."""

    def work(session: Session) -> Sequence[str]:
        entries.move_out(session, pen, bands, on or desk.on)
        return bands

    said = Message("act_move_out", pen=pen.strip(), bands=tuple(bands))
    return perform(desk, said, work, relations=True)


def note_hatch(
    desk: Desk,
    name: str,
    pen: str = "",
    hatched: date | None = None,
    eggs: int | None = None,
    chicks: int | None = None,
    bands: Sequence[str] = (),
) -> Act:
    """Return a hatch by its name, made or added to; `bands` are birds that came from it."""

    def work(session: Session) -> Sequence[str]:
        row = entries.enter_hatch(session, name, pen, hatched, eggs, chicks, bands)
        return [*bands, *entries.bands_of_hatch(session, row)]

    return perform(desk, Message("act_hatch", name=name.strip()), work, relations=True)


def count_chicks(
    desk: Desk,
    sire: str,
    dam: str,
    chicks: Mapping[str, int],
    purpose: str = "breeding",
    started: date | None = None,
) -> Act:
    """Chicks of a mating, counted by comb without bands; they add to earlier ones."""
    counts = tuple(Message("chicks_of_word", number=n, comb=c) for c, n in chicks.items())

    def work(session: Session) -> Sequence[str]:
        entries.enter_chicks(session, sire, dam, chicks, desk.by, purpose, started)
        return [sire, dam]

    return perform(desk, Message("act_chicks", sire=sire, dam=dam, counts=counts), work)


def sire_and_dam(desk: Desk, one: str, other: str) -> tuple[str, str]:
    """Two birds of a mating as sire and dam, by the sex on record. Raises NotFound."""
    with desk.store.reading() as session:
        rows = [entries.find_bird(session, band) for band in (one, other)]
        entries.check_pair(*rows)
        sexes = [row.sex for row in rows]
    turned = sexes[0] == "hen" or sexes[1] == "cock"
    return (other, one) if turned else (one, other)


def decide(desk: Desk, band: str, choice: str, reason: str, recheck: date | None = None) -> Act:
    """Return the keeper's decision about a bird; earlier ones stay on record."""

    def work(session: Session) -> Sequence[str]:
        entries.enter_decision(session, band, desk.by, choice, reason, recheck)
        return ()  # moves no candidate

    return perform(desk, Message("act_decision", band=band, choice=choice), work)
