"""The flock as a sheet: what the list says of each bird, what was found, what was decided."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.birds import as_listed
from service.records.exchange.flocklist import table
from service.records.exchange.mapping import FOUND
from service.records.tables import BirdRow
from service.views.bird_list import Line, Wanted, lines

AT_ONCE = 500


def found_cells(line: Line) -> list[str]:
    """Return what was found of a bird, in the order of FOUND; nothing where nobody has seen it."""
    item, decision = line.item, line.decision
    comb = by = sure = pile = ""
    if item is not None:
        comb, pile = item.proposal or "", item.pile
        by = ", ".join(item.by) or "photo"
        sure = f"{item.confidence:.3f}" if item.proposal and not item.by else ""
    name, chance = line.genotype if item is not None or line.listed[0] else ("", 0.0)
    return [
        comb,
        by,
        sure,
        pile,
        name,
        f"{chance:.3f}" if name else "",
        decision.choice if decision else "",
        decision.made.date().isoformat() if decision else "",
        decision.reason if decision else "",
    ]


def flock_sheet(session: Session) -> list[list[str]]:
    """Return header and rows; columns of what was found only where something was."""
    birds = session.scalars(select(BirdRow).order_by(BirdRow.id)).all()
    rows = table([as_listed(bird) for bird in birds])
    found: list[list[str]] = []
    for start in range(0, len(birds), AT_ONCE):
        found += map(found_cells, lines(session, Wanted(), AT_ONCE, start))
    if not any(any(cells) for cells in found):
        return rows
    return [
        [*rows[0], *FOUND],
        *([*row, *cells] for row, cells in zip(rows[1:], found, strict=True)),
    ]
