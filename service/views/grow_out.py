"""The report of a hatch at grow-out: piles, combs expected and seen, days to look again."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from icalendar import Calendar, Event
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from classifier.vocabulary import COMBS
from genetics.genotype import NAMES
from service.answers.assessments import assess_birds
from service.errors import NotFound
from service.flock.assessment import PILE_ORDER, Item
from service.flock.candidates import Candidate
from service.flock.csv_cells import defused
from service.flock.next_steps import costs
from service.records.entries import FINAL
from service.records.tables import AnswerRow, BirdRow, DecisionRow, HatchRow, PhotoRow
from service.views.pens_and_hatches import Hatch, hatch_summary
from service.wording.language import translated
from service.wording.sentences import Coded, Message, say


@dataclass(frozen=True)
class Chick:
    """One bird of the hatch."""

    band: str
    sex: str
    candidate: Candidate
    item: Item | None
    photo: PhotoRow | None
    """Its surest photo, for the contact sheet."""
    decision: DecisionRow | None

    @property
    def pile(self) -> str:
        """Its pile; `no photo` where none was read."""
        return self.item.pile if self.item else "no photo"


@dataclass(frozen=True)
class Again:
    """A bird to be looked at again."""

    band: str
    on: date
    why: Coded


@dataclass(frozen=True)
class Report:
    """A hatch at grow-out: its chicks by pile, and the days to look again."""

    hatch: Hatch
    on: date
    chicks: tuple[Chick, ...]
    """By pile, worst risk first."""
    again: tuple[Again, ...]

    def pile(self, name: str) -> list[Chick]:
        """Chicks of one pile."""
        return [c for c in self.chicks if c.pile == name]


def report(session: Session, name: str, on: date) -> Report:
    """Return the report of a hatch by its name. Raises StoreError."""
    row = session.scalar(select(HatchRow).where(HatchRow.name == name))
    if row is None:
        raise NotFound("no_such_hatch", name=name)
    birds = session.execute(
        select(BirdRow, AnswerRow)
        .join(AnswerRow)
        .where(BirdRow.hatch_id == row.id)
        .order_by(BirdRow.id)
        .options(selectinload(BirdRow.photos).selectinload(PhotoRow.readings))
    ).all()
    items = assess_birds(session, [bird.band for bird, _ in birds])
    newest = {}
    for decision in session.scalars(select(DecisionRow).order_by(DecisionRow.id)):
        newest[decision.bird_id] = decision
    chicks = [
        Chick(
            bird.band,
            bird.sex,
            Candidate.from_data(answer.content),
            items.get(bird.band),
            surest(bird.photos),
            newest.get(bird.id),
        )
        for bird, answer in birds
    ]
    order = (*PILE_ORDER, "no photo")
    chicks.sort(key=lambda c: (order.index(c.pile), -(c.item.risk if c.item else 0.0)))
    return Report(
        hatch_summary(session, row), on, tuple(chicks), tuple(look_again(chicks, row.hatched, on))
    )


def surest(photos: Sequence[PhotoRow]) -> PhotoRow | None:
    """Return the photo with the surest reading."""
    from service.records.readings import model_reading

    read = [(r.confidence, p.id, p) for p in photos if (r := model_reading(p))]
    return max(read)[2] if read else None


def look_again(chicks: Sequence[Chick], hatched: date | None, on: date) -> list[Again]:
    """Birds with a day on which to look again: by decision, else once they are grown."""
    weeks = costs()["weeks"]
    found = []
    for chick in chicks:
        decision = chick.decision
        if decision and decision.choice in FINAL:
            continue
        if decision and decision.recheck and decision.recheck >= on:
            why = Message("plain", text=decision.reason)
            found.append(Again(chick.band, decision.recheck, why))
        elif hatched and chick.pile != "settled":
            grown = hatched + timedelta(
                weeks=weeks["grown_cock" if chick.sex == "cock" else "grown_hen"]
            )
            why = Message("again_grown" if grown > on else "again_not_settled")
            found.append(Again(chick.band, max(grown, on + timedelta(weeks=1)), why))
    return sorted(found, key=lambda a: (a.on, a.band))


def as_csv(told: Report) -> str:
    """Return the report as a table, one row a bird."""
    buffer = io.StringIO(newline="")
    columns = ["bird", "sex", "pile", "proposal", "confidence", "risk", "reasons", "conflict",
               "decision", "reason", "look_again", *COMBS, *NAMES]  # fmt: skip
    writer = csv.DictWriter(buffer, columns)
    writer.writeheader()
    days = {a.band: a.on.isoformat() for a in told.again}
    for chick in told.chicks:
        item, decision, conflict = chick.item, chick.decision, chick.candidate.conflict
        row = {
            "bird": chick.band,
            "sex": chick.sex,
            "pile": chick.pile,
            "proposal": (item.proposal or "") if item else "",
            "confidence": f"{item.confidence:.4f}" if item else "",
            "risk": f"{item.risk:.4f}" if item else "",
            "reasons": " | ".join(map(say, item.reasons)) if item else "",
            "conflict": say(conflict.message) if conflict else "",
            "decision": decision.choice if decision else "",
            "reason": decision.reason if decision else "",
            "look_again": days.get(chick.band, ""),
            **{c: f"{chick.candidate.combs[c]:.4f}" for c in COMBS},
            **{g: f"{chick.candidate.genotypes[g]:.4f}" for g in NAMES},
        }
        writer.writerow({name: defused(cell) for name, cell in row.items()})
    return buffer.getvalue()


def as_calendar(told: Report) -> bytes:
    """Days on which to look again as iCalendar (RFC 5545), whole days, with a reminder each."""
    calendar = Calendar()
    calendar.add("prodid", "-//Combwright//reminders//EN")
    calendar.add("version", "2.0")
    by_day: dict[date, list[Again]] = {}
    for again in told.again:
        by_day.setdefault(again.on, []).append(again)
    for day, birds in sorted(by_day.items()):
        event = Event()
        bands = ", ".join(a.band for a in birds)
        event.add("uid", f"{told.hatch.id}-{day.isoformat()}@combwright")
        event.add("dtstamp", datetime(told.on.year, told.on.month, told.on.day, tzinfo=UTC))
        event.add("dtstart", day)
        event.add("dtend", day + timedelta(days=1))
        event.add("summary", translated("Look again at the combs of {bands}").format(bands=bands))
        event.add("description", "\n".join(f"{a.band}: {say(a.why)}" for a in birds))
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def as_json(told: Report) -> dict[str, Any]:
    """For programs."""
    return {
        "hatch": told.hatch.name,
        "on": told.on.isoformat(),
        "piles": {p: [c.band for c in told.pile(p)] for p in (*PILE_ORDER, "no photo")},
        "seen": dict(zip(COMBS, told.hatch.seen, strict=True)),
        "expected": dict(zip(COMBS, told.hatch.expected, strict=True)),
        "look_again": [
            {"bird": a.band, "on": a.on.isoformat(), "why": say(a.why)} for a in told.again
        ],
    }
