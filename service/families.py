"""Every bird's candidates from all records, kept with the content that they rest on.

Birds hang together by their parents, possible parents and counted matings: such a family is worked
out as a whole, and again only when something of it changed. What an answer rests on is told by a
key, the hash of the likelihoods, parents, counts and numbers that went in: the same content never
is worked out twice, and an answer can't outlive what it rests on.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session

from genetics.agreement import Person
from genetics.domain import TABLES, toml
from service.candidates import Candidate, Entry, describe
from service.counted import Counted
from service.flock import OR, Flock
from service.inference import Inference, infer_flock
from service.looks import Evidence, evidence_of
from service.readers import people, people_looks
from service.ready import OPEN, Ready, made_ready
from service.store.database import Store
from service.store.models import (
    AnswerRow,
    BirdRow,
    ChangeRow,
    GlanceRow,
    HatchRow,
    MatingRow,
    PenBirdRow,
)
from service.store.records import kept_counts, kept_flock, kept_readings

NUDGE = 0.01  # a chance that moved by less hasn't changed for a reader


@dataclass(frozen=True)
class Family:
    """Birds that hang together, by band."""

    bands: tuple[str, ...]


def families(session: Session) -> list[Family]:
    """All birds by family, in the order of their first bird."""
    rows = session.execute(
        select(BirdRow.id, BirdRow.band, BirdRow.sire, BirdRow.dam, BirdRow.hatch_id).order_by(
            BirdRow.id
        )
    ).all()
    place = {row.band: i for i, row in enumerate(rows)}
    by_id = {row.id: i for i, row in enumerate(rows)}
    root = list(range(len(rows)))

    def find(i: int) -> int:
        while root[i] != i:
            root[i] = root[root[i]]
            i = root[i]
        return i

    def join(i: int, j: int) -> None:
        a, b = find(i), find(j)
        root[max(a, b)] = min(a, b)

    pens: dict[int, list[int]] = {}
    for stay in session.execute(select(PenBirdRow.pen_id, PenBirdRow.bird_id)):
        pens.setdefault(stay.pen_id, []).append(by_id[stay.bird_id])
    hatches = dict(session.execute(select(HatchRow.id, HatchRow.pen_id)).all())
    for i, row in enumerate(rows):
        for parents in (row.sire, row.dam):
            for band in [parents] if parents in place else parents.split(OR):
                if band in place:
                    join(i, place[band])
        if not (row.sire and row.dam):
            for mate in pens.get(hatches.get(row.hatch_id) or 0, ()):
                join(i, mate)
    for mating in session.execute(select(MatingRow.sire_id, MatingRow.dam_id)):
        join(by_id[mating.sire_id], by_id[mating.dam_id])
    groups: dict[int, list[str]] = {}
    for i, row in enumerate(rows):
        groups.setdefault(find(i), []).append(row.band)
    return [Family(tuple(bands)) for bands in groups.values()]


def numbers_digest() -> bytes:
    """A hash of all numbers that genetics rests on."""
    numbers = json.dumps([toml(name) for name in TABLES], sort_keys=True, default=str)
    return hashlib.sha256(numbers.encode()).digest()


def key_of(flock: Flock, evidence: Sequence[Evidence], counted: Sequence[Counted]) -> str:
    """The hash of what a family's answers rest on."""
    content = hashlib.sha256(numbers_digest())
    for i, (bird, seen) in enumerate(zip(flock.birds, evidence, strict=True)):
        words = [bird.bird, bird.sire, bird.dam, str(bird.hatched), bird.sex, bird.genotype]
        words += [bird.extra.get("variety", ""), str(seen.crest), str(seen.beard)]
        words += [str(flock.possible.get(i)), seen.wattles_note]
        words += [f"{look.source}|{look.comb}|{look.by}" for look in seen.looks]
        content.update("\x1f".join(words).encode())
        for table in (seen.wattles, seen.genotype, *(look.likelihood for look in seen.looks)):
            content.update(np.ascontiguousarray(table, np.float64).tobytes())
    content.update(repr(counted).encode())
    return content.hexdigest()


@dataclass(frozen=True)
class Question:
    """What a family's answers rest on, gathered at one moment, and which of them are wanted."""

    flock: Flock
    seen: list[Evidence]
    counted: tuple[Counted, ...]
    key: str
    ids: dict[str, int]
    rows: list[int]
    """Rows whose answers are out of date, or whose conflict is to be explained."""
    stamp: int
    """The last change on the trail when this was gathered."""


# Other writers may change something while a family is worked out; then it is begun again.
TRIES = 3


def refresh(
    store: Store,
    prior: Sequence[float],
    on: date,
    bands: Iterable[str] | None = None,
    culprits: Container[str] | None = None,
) -> list[str]:
    """Work out again what changed, of the families of some birds or of all; returns bands.

    `prior` is the training prior of the reader, `on` the day for ages. What may lie behind a
    conflict takes long to weigh: with `culprits` only of those birds, the others' being left open
    until they are asked for. Nobody has to wait meanwhile: records are locked only to write.
    """
    wanted = None if bands is None else set(bands)
    if wanted:
        quick = worked_in(store, prior, on, wanted, culprits)
        if quick is not None:
            return quick
    with store.reading() as session:
        groups = families(session)
        known = people(session)
    changed: list[str] = []
    for family in groups:
        if wanted is not None and not wanted & set(family.bands):
            continue
        for attempt in range(TRIES):
            with store.reading() as session:
                question = gathered(session, family, known, prior, on, culprits)
            if not question.rows:
                break
            inference = infer_flock(question.flock, question.seen, question.counted)
            contents = worked_out(question, inference, culprits)
            with store.writing("combwright", "candidates worked out") as session:
                if last_change(session) == question.stamp or attempt == TRIES - 1:
                    put(session, question.key, contents)
                    hold(store, question, inference, contents, known, prior, on)
                    changed += [question.flock.birds[row].bird for row in question.rows]
                    break
    return changed


def last_change(session: Session) -> int:
    """The newest entry of the trail."""
    return session.scalar(select(func.max(ChangeRow.id))) or 0


def gathered(
    session: Session,
    family: Family,
    known: dict[str, Person],
    prior: Sequence[float],
    on: date,
    culprits: Container[str] | None,
) -> Question:
    """What a family's answers rest on now, and which of those kept don't any more."""
    stamp = last_change(session)
    ids = rows_of(session, family.bands)
    flock = kept_flock(session, ids)
    readings = kept_readings(session, ids)
    looks = people_looks(session, known, ids)
    seen = [
        evidence_of(b, readings.get(b.bird, ()), prior, on, looks.get(b.bird, ()))
        for b in flock.birds
    ]
    counted = kept_counts(session, flock)
    key = key_of(flock, seen, counted)
    kept = {
        number: (row_key, bool(content.get(OPEN)))
        for start in range(0, len(ids), 500)
        for number, row_key, content in session.execute(
            select(AnswerRow.bird_id, AnswerRow.key, AnswerRow.content).where(
                AnswerRow.bird_id.in_(list(ids.values())[start : start + 500])
            )
        )
    }
    rows = list(range(len(flock.birds)))
    if len(kept) == len(ids) and {row_key for row_key, _ in kept.values()} == {key}:
        rows = [
            row
            for row, bird in enumerate(flock.birds)
            if kept[ids[bird.bird]][1] and (culprits is None or bird.bird in culprits)
        ]
    return Question(flock, seen, counted, key, ids, rows, stamp)


def worked_out(
    question: Question, inference: Inference, culprits: Container[str] | None
) -> dict[str, dict[str, Any]]:
    """Answers by band."""
    found = {}
    for row in question.rows:
        bird = question.flock.birds[row].bird
        weigh = culprits is None or bird in culprits
        candidate = describe(question.flock, row, question.seen, inference, weigh)
        found[bird] = candidate.as_json() | {OPEN: bool(candidate.conflict) and not weigh}
    return found


def put(session: Session, key: str, contents: dict[str, dict[str, Any]]) -> None:
    """Keep answers, but for birds that are gone meanwhile."""
    there = rows_of(session, list(contents))
    bands = list(there)
    for start in range(0, len(bands), 500):
        some = bands[start : start + 500]
        numbers = [there[band] for band in some]
        session.execute(delete(AnswerRow).where(AnswerRow.bird_id.in_(numbers)))
        session.execute(
            insert(AnswerRow),
            [{"bird_id": there[b], "key": key, "content": contents[b]} for b in some],
        )


def hold(
    store: Store,
    question: Question,
    inference: Inference,
    contents: dict[str, dict[str, Any]],
    known: dict[str, Person],
    prior: Sequence[float],
    on: date,
) -> None:
    """Hold a family ready for the next reading, if it is one that pays."""
    if len(question.rows) < len(question.flock.birds):
        return
    rows = {bird.bird: row for row, bird in enumerate(question.flock.birds)}
    ready = made_ready(
        question.flock,
        question.seen,
        question.counted,
        question.ids,
        question.stamp,
        inference,
        known,
        prior,
        on,
        {rows[band] for band, content in contents.items() if content[OPEN]},
    )
    for band in rows:
        store.standing.pop(band, None)
        if ready is not None:
            store.standing[band] = ready


def worked_in(
    store: Store,
    prior: Sequence[float],
    on: date,
    bands: set[str],
    culprits: Container[str] | None,
) -> list[str] | None:
    """Work new readings of a family that is held ready in; None if it must be done as a whole."""
    held = {id(r): r for r in (store.standing.get(band) for band in bands) if r is not None}
    if len(held) != 1 or not all(band in store.standing for band in bands):
        return None
    ready: Ready = next(iter(held.values()))
    if ready.on != on or list(ready.prior) != list(prior):
        return None
    with ready.lock:
        with store.reading() as session:
            contents = ready.update(session, culprits)
        if contents is None:
            for band in ready.ids:
                store.standing.pop(band, None)
            return None
        if contents:
            with store.writing("combwright", "candidates worked in") as session:
                put(session, NEARBY, contents)
    return list(contents)


# The key of answers that were worked in without the whole family: the next whole work renews them.
NEARBY = "nearby"


def rows_of(session: Session, bands: Sequence[str]) -> dict[str, int]:
    """Keys of birds by band."""
    found: dict[str, int] = {}
    for start in range(0, len(bands), 500):
        query = select(BirdRow.band, BirdRow.id).where(
            BirdRow.band.in_(list(bands[start : start + 500]))
        )
        found |= {band: number for band, number in session.execute(query)}
    return found


def answer(session: Session, band: str) -> Candidate | None:
    """A bird's candidates as last worked out."""
    row = session.scalar(select(AnswerRow).join(BirdRow).where(BirdRow.band == band))
    return as_candidate(row.content) if row else None


def answers(session: Session) -> list[Candidate]:
    """All birds' candidates as last worked out, in the order of the birds."""
    rows = session.scalars(select(AnswerRow).order_by(AnswerRow.bird_id))
    return [as_candidate(row.content) for row in rows]


def as_candidate(content: dict[str, Any]) -> Candidate:
    """The candidate that a row's JSON was made from."""
    return Candidate(
        bird=content["bird"],
        genotypes=content["genotypes"],
        combs=content["combs"],
        conflict=content["conflict"],
        ledger=tuple(
            Entry(e["evidence"], e["says"], e["likelihood_ratio"], e["with_over_without"])
            for e in content["ledger"]
        ),
        crest=content["crest"],
        beard=content["beard"],
        with_crest=content.get("with_crest", {}),
        variety=content["variety"],
        method=content["method"],
        error=content.get("standard_error", 0.0),
        converged=content.get("converged", True),
    )


def changes_since(before: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """What changed in a bird's candidates, in words.

    >>> old = {"genotypes": {"R/R P/P": 0.5}, "conflict": None, "ledger": []}
    >>> new = {"genotypes": {"R/R P/P": 0.75}, "conflict": None, "ledger": []}
    >>> changes_since(old, new)
    ['R/R P/P from 50% to 75%']
    """
    found = []
    for name, chance in now["genotypes"].items():
        was = before["genotypes"].get(name, 0.0)
        if abs(chance - was) >= NUDGE:
            found.append(f"{name} from {was:.0%} to {chance:.0%}")
    pieces = [{(e["evidence"], e["says"]) for e in c["ledger"]} for c in (before, now)]
    found += [f"new: {name}, {says}" for name, says in sorted(pieces[1] - pieces[0])]
    found += [f"gone: {name}, {says}" for name, says in sorted(pieces[0] - pieces[1])]
    if before["conflict"] != now["conflict"]:
        found.append(f"conflict: {now['conflict']}" if now["conflict"] else "conflict resolved")
    return found


def glance(session: Session, band: str) -> list[str]:
    """What changed of a bird since this was last asked, in words; the first time nothing.

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
