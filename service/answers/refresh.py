"""Every bird's candidates from all records, kept with the content that they rest on.

A family of birds that hang together is worked out as a whole, and again only when something of it
changed; large ones are held ready for the next reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from service.answers.family_snapshot import (
    Grounds,
    Kinship,
    Question,
    gather,
    last_change,
    rows_of,
)
from service.answers.incremental import HeldFamily, hold_ready
from service.answers.queue import rejudge
from service.answers.raters import people
from service.flock.candidates import Candidate, describe
from service.flock.conflicts import Conflict
from service.flock.contradictions import conflicts_of
from service.flock.inference import Inference, infer_flock
from service.records.database import Store, lots
from service.records.seals import seal_row
from service.records.tables import AnswerRow, BirdRow, GlanceRow
from service.wording.sentences import Message, from_data

ITSELF = "combwright"  # who works answers out, in the place of a keeper's name
NUDGE = 0.01  # a chance that moved by less hasn't changed for a reader
# Other writers may change something while a family is worked out; then it is begun again.
TRIES = 3


def refresh(
    store: Store,
    prior: Sequence[float],
    on: date,
    bands: Iterable[str] | None = None,
) -> list[str]:
    """Work out again what changed, of the families of some birds or of all; returns bands.

    `prior` is the training prior of the reader, `on` the day for ages. Nobody has to wait
    meanwhile: records are locked only to write.
    """
    wanted = None if bands is None else set(bands)
    if wanted:
        quick = update_held(store, prior, on, wanted)
        if quick is not None:
            return quick
    kinship = Kinship()
    with store.reading() as session:
        asked = [
            [band for band in family if wanted is None or band in wanted]
            for family in kinship.look(session)
        ]
        grounds = Grounds(people(session), tuple(prior), on)
    changed: list[str] = []
    for band in (some[0] for some in asked if some):
        for attempt in range(TRIES):
            with store.reading() as session:  # by now it may have other parents or another band
                question = gather(session, kinship.family_of(session, band), grounds)
            if not question.rows:
                break
            inference = infer_flock(question.flock, question.seen, question.counted)
            conflicts = conflicts_of(question.flock, question.seen, inference)
            contents = describe_family(question, inference, conflicts)
            with store.writing(ITSELF, Message("act_candidates")) as session:
                if last_change(session) == question.stamp or attempt == TRIES - 1:
                    put(session, question.key, contents)
                    hold(store, question, inference, conflicts)
                    changed += [question.band(row) for row in question.rows]
                    break
    return changed


def describe_family(
    question: Question, inference: Inference, conflicts: dict[int, Conflict]
) -> dict[str, dict[str, Any]]:
    """Answers by band."""
    return {
        question.band(row): describe(
            question.flock, row, question.seen, inference, conflicts.get(row)
        ).as_data()
        for row in question.rows
    }


def put(session: Session, key: str, contents: dict[str, dict[str, Any]]) -> None:
    """Keep answers, but for birds that are gone meanwhile."""
    there = rows_of(session, list(contents))
    for some in lots(list(there)):
        numbers = [there[band] for band in some]
        session.execute(delete(AnswerRow).where(AnswerRow.bird_id.in_(numbers)))
        rows = [
            {
                "bird_id": there[b],
                "key": key,
                "in_conflict": bool(contents[b]["conflict"]),
                "content": contents[b],
            }
            for b in some
        ]
        session.execute(insert(AnswerRow), [{**row, "seal": seal_row(row)} for row in rows])
    rejudge(session, there)


def hold(
    store: Store, question: Question, inference: Inference, conflicts: dict[int, Conflict]
) -> None:
    """Hold a family ready for the next reading, if it is one that pays."""
    ready = hold_ready(question, inference, conflicts)
    for band in question.ids:
        store.held_families.pop(band, None)
        if ready is not None:
            store.held_families[band] = ready


def update_held(
    store: Store,
    prior: Sequence[float],
    on: date,
    bands: set[str],
) -> list[str] | None:
    """Work new readings of a family that is held ready in; None if it must be done as a whole."""
    ready: HeldFamily | None = store.held_families.get(next(iter(bands)))
    if ready is None or not bands <= ready.rows.keys():
        return None
    grounds = ready.question.grounds
    if grounds.on != on or grounds.prior != tuple(prior):
        return None
    done = False
    with ready.lock:
        try:
            with store.reading() as session:
                contents = ready.update(session)
            if contents:
                with store.writing(ITSELF, Message("act_candidates")) as session:
                    put(session, NEARBY, contents)
            done = contents is not None
        finally:
            if not done:  # what it holds may be ahead of what is kept
                for band in ready.rows:
                    store.held_families.pop(band, None)
    return None if contents is None else list(contents)


# The key of answers that were worked in without the whole family: the next whole work renews them.
NEARBY = "nearby"


def answer(session: Session, band: str) -> Candidate | None:
    """Return a bird's candidates as last worked out."""
    row = session.scalar(select(AnswerRow).join(BirdRow).where(BirdRow.band == band))
    return Candidate.from_data(row.content) if row else None


def answers(session: Session) -> list[Candidate]:
    """All birds' candidates as last worked out, in the order of the birds."""
    rows = session.scalars(select(AnswerRow).order_by(AnswerRow.bird_id))
    return [Candidate.from_data(row.content) for row in rows]


def changes_since(before: dict[str, Any], now: dict[str, Any]) -> list[Message]:
    """Return what changed between two states of a bird's candidates, as they are kept.

    >>> old = {"genotypes": {"R/R P/P": 0.5}, "conflict": None, "ledger": []}
    >>> new = {"genotypes": {"R/R P/P": 0.75}, "conflict": None, "ledger": []}
    >>> list(map(str, changes_since(old, new)))
    ['R/R P/P from 50% to 75%']
    """
    found = []
    for name, chance in now["genotypes"].items():
        was = before["genotypes"].get(name, 0.0)
        if abs(chance - was) >= NUDGE:
            found.append(Message("change_chance", genotype=name, before=was, now=chance))
    pieces = [
        {(from_data(e["evidence"]), from_data(e["says"])) for e in state["ledger"]}
        for state in (before, now)
    ]
    for code, some in (
        ("change_new", pieces[1] - pieces[0]),
        ("change_gone", pieces[0] - pieces[1]),
    ):
        ordered = sorted(some, key=lambda piece: [str(part) for part in piece])
        found += [Message(code, piece=piece, says=says) for piece, says in ordered]
    if before["conflict"] != now["conflict"]:
        conflict = now["conflict"] and Conflict.from_data(now["conflict"])
        found.append(
            Message("change_conflict", conflict=conflict.message)
            if conflict
            else Message("change_conflict_resolved")
        )
    return found


def glance(session: Session, band: str) -> list[Message]:
    """Return what changed of a bird since this was last asked; the first time nothing.

    The session must be one that writes.
    """
    row = session.scalar(select(AnswerRow).join(BirdRow).where(BirdRow.band == band))
    if row is None:
        return []
    last = session.get(GlanceRow, row.bird_id)
    told = changes_since(last.content, row.content) if last else []
    if last is None:
        last = GlanceRow(bird_id=row.bird_id, made=datetime.now(UTC), content=row.content)
        session.add(last)
    else:
        last.made, last.content = datetime.now(UTC), row.content
    return told
