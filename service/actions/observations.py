"""What somebody saw: a comb on a photo, crest, beard and wattles on a bird."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from sqlalchemy.orm import Session

from service.actions.desk import Act, Desk, perform
from service.records.entries import enter_comb, enter_sighting, find_photo
from service.wording.sentences import Message


def observe_comb(desk: Desk, photo: str, comb: str, *, blind: bool = False) -> Act:
    """Write down the comb that somebody sees on a photo; an empty one is 'can't tell'.

    `photo` is its SHA-256, the beginning of that, or a name that only one photo has.
    """

    def work(session: Session) -> list[str]:
        row = find_photo(session, photo)
        band = enter_comb(session, row.sha256, comb, desk.by, blind)
        return [band] if band else []

    return perform(desk, Message("act_comb", comb=comb), work)


def observe_combs(desk: Desk, combs: Sequence[tuple[str, str]], *, as_proposed: bool) -> Act:
    """Write down combs of several photos (SHA-256 and comb) as one act."""
    said = Message("act_combs_confirmed", number=len(combs))
    if not as_proposed:
        said = Message("act_combs", number=len(combs), comb=combs[0][1])

    def work(session: Session) -> list[str]:
        bands = (enter_comb(session, photo, comb, desk.by, blind=False) for photo, comb in combs)
        return [band for band in bands if band]

    return perform(desk, said, work)


def note_sighting(
    desk: Desk,
    band: str,
    crest: bool | None = None,
    beard: bool | None = None,
    wattles: str = "",
    seen_on: date | None = None,
) -> Act:
    """Write down crest, beard and wattles as seen on a bird, today if no day is given."""

    def work(session: Session) -> list[str]:
        enter_sighting(session, band, desk.by, crest, beard, wattles, seen_on or desk.on)
        return [band]

    return perform(desk, Message("act_sighting", band=band), work)
