"""Birds themselves: written down, put right, and many of them at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from service.actions.desk import Act, Desk, perform
from service.errors import Refusal
from service.records import corrections, entries
from service.wording.sentences import Message

MOST_AT_ONCE = 1000


def write_down_bird(desk: Desk, band: str, facts: Mapping[str, Any], hatch: str = "") -> Act:
    """Write down a bird that isn't on record yet, perhaps of a hatch."""
    band = band.strip()

    def work(session: Session) -> list[str]:
        corrections.new_bird(session, band, facts)
        if hatch.strip():
            entries.enter_hatch(session, hatch, bands=[band])
        return [band]

    return perform(desk, Message("act_new_bird", band=band), work, relations=True)


def correct_bird(desk: Desk, band: str, facts: Mapping[str, Any]) -> Act:
    """Put facts of a bird right; those left out stay as they are."""

    def work(session: Session) -> list[str]:
        corrections.change_facts(session, band, facts)
        return [band]

    return perform(desk, Message("act_facts", band=band), work, relations=True)


def rename_bird(desk: Desk, band: str, other: str) -> Act:
    """Give a bird the band that it really carries."""
    said = Message("act_rename", band=band, other=other.strip())
    return perform(desk, said, lambda s: corrections.rename(s, band, other), relations=True)


def swap_bands(desk: Desk, one: str, other: str) -> Act:
    """Let two birds whose bands were mixed up change places in the pedigree."""
    said = Message("act_swap", band=one, other=other.strip())
    return perform(desk, said, lambda s: corrections.swap(s, one, other.strip()), relations=True)


def decide_many(
    desk: Desk, bands: Sequence[str], choice: str, reason: str, recheck: date | None = None
) -> Act:
    """Write one decision down for several birds, each with the same reason."""
    wanted = chosen(bands)

    def work(session: Session) -> Sequence[str]:
        for band in wanted:
            entries.enter_decision(session, band, desk.by, choice, reason, recheck)
        return ()  # moves no candidate

    return perform(desk, Message("act_decisions", number=len(wanted), choice=choice), work)


def make_pens(
    desk: Desk, name: str, matings: Sequence[Sequence[str]], since: date | None = None
) -> Act:
    """Make a pen of each planned mating, cock and hens, as one act.

    They are called by a name with a number behind it, the cock's band after that.
    """
    planned = [list(dict.fromkeys(birds)) for birds in matings if birds]
    if not planned:
        raise Refusal("no_mating_chosen")
    if not name.strip():
        raise Refusal("needs_a_name", what="pen")

    def work(session: Session) -> list[str]:
        touched = []
        for number, birds in enumerate(planned, start=1):
            entries.move_in(session, f"{name.strip()}-{number} ({birds[0]})", birds, since)
            touched += birds
        return touched

    said = Message("act_pens", number=len(planned), pen=name.strip())
    return perform(desk, said, work, relations=True)


def chosen(bands: Sequence[str]) -> list[str]:
    """Return the birds that were chosen, each once. Raises Refusal for none, or far too many."""
    found = list(dict.fromkeys(bands))
    if not found:
        raise Refusal("no_bird_chosen")
    if len(found) > MOST_AT_ONCE:
        raise Refusal("too_many_chosen", most=MOST_AT_ONCE)
    return found
