"""Large families held ready, so that a new reading of one bird is worked in at once.

Only readings and photos may have changed since the family was last gathered: the trail tells. Then
nothing but the bird's own evidence is new; the family is inferred again from what is at hand, and
the answers that moved are kept. The others keep theirs until the family is gathered again: at the
next start, or when anything else changes. The same holds for what a blind reading tells of its
reader's slips.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.answers.family_snapshot import Question
from service.flock.candidates import describe
from service.flock.conflicts import Conflict
from service.flock.contradictions import conflicts_of
from service.flock.evidence import Evidence
from service.flock.flock_csv import OR
from service.flock.inference import Inference, infer_again
from service.records.tables import BirdRow, ChangeRow, PhotoRow

SMALLEST = 60  # below so many birds a family is gathered anew as fast
MOVED = 1e-3  # a probability that moved by less is no new answer
HARMLESS = ("readings", "photos", "decisions")


@dataclass
class HeldFamily:
    """A family, all that its answers rest on, and how far on the trail that reaches."""

    question: Question
    """As it was when the family was gathered; what was seen since is in `seen`."""
    seen: list[Evidence]
    stamp: int
    inference: Inference
    conflicts: dict[int, Conflict]
    """By row, as kept."""
    rows: dict[str, int]
    """Rows by band."""
    lock: Lock = field(default_factory=Lock)

    def changed_bands(self, session: Session) -> list[str] | None:
        """Bands whose readings changed since; None if anything else did."""
        changes = session.execute(
            select(ChangeRow.id, ChangeRow.kind, ChangeRow.before, ChangeRow.after)
            .where(ChangeRow.id > self.stamp)
            .order_by(ChangeRow.id)
        ).all()
        hashes, birds = set(), set()
        for number, kind, before, after in changes:
            for row in filter(None, (before, after)):
                if kind not in HARMLESS and not (kind == "birds" and self.stranger(row)):
                    return None
                if kind == "readings":
                    hashes.add(row["photo_sha256"])
                elif kind == "photos":
                    birds.add(row["bird_id"])
            self.stamp = number
        found = set(
            session.scalars(select(BirdRow.band).join(PhotoRow).where(PhotoRow.sha256.in_(hashes)))
        )
        found |= set(session.scalars(select(BirdRow.band).where(BirdRow.id.in_(birds - {None}))))
        return sorted(found & self.rows.keys())

    def stranger(self, bird: dict[str, Any]) -> bool:
        """Whether a bird's row has nothing to do with this family."""
        names = {bird["band"], *bird["sire"].split(OR), *bird["dam"].split(OR)}
        return bird["hatch_id"] is None and not names & self.rows.keys()

    def update(self, session: Session) -> dict[str, dict[str, Any]] | None:
        """Return new answers by band; None if the family must be gathered again."""
        bands = self.changed_bands(session)
        if bands is None:
            return None
        question, rows = self.question, self.rows
        for band, new in question.grounds.evidence_by_band(session, question.flock, bands).items():
            self.seen[rows[band]] = new
        before, known = self.inference, self.conflicts
        fresh = [rows[band] for band in bands]
        now = before
        if fresh:
            now = infer_again(question.flock, self.seen, question.counted, before, fresh)
        conflicts = conflicts_of(question.flock, self.seen, now)
        moved = np.zeros(len(rows), bool)
        for was, here in ((before.combs, now.combs), (before.crest, now.crest)):
            moved |= np.abs(was.marginals - here.marginals).max(1) > MOVED
        moved[fresh] = True
        wanted = set(np.flatnonzero(moved).tolist())
        wanted |= {
            row
            for row in known.keys() | conflicts.keys()
            if told(known, row) != told(conflicts, row)
        }
        self.inference, self.conflicts = now, conflicts
        found = {}
        for row in sorted(wanted):
            candidate = describe(question.flock, row, self.seen, now, conflicts.get(row))
            found[candidate.bird] = candidate.as_data()
        return found


def told(conflicts: dict[int, Conflict], row: int) -> tuple[str, ...]:
    """Return what a conflict says without its numbers; nothing where there is none."""
    conflict = conflicts.get(row)
    return ("",) if conflict is None else tuple(culprit.kind for culprit in conflict.culprits)


def hold_ready(
    question: Question, inference: Inference, conflicts: dict[int, Conflict]
) -> HeldFamily | None:
    """Return a family held ready; None for a small one, or one whose answers were sampled."""
    flock = question.flock
    if len(flock.birds) < SMALLEST or inference.method == "approximate":
        return None
    rows = {bird.bird: row for row, bird in enumerate(flock.birds)}
    return HeldFamily(question, list(question.seen), question.stamp, inference, conflicts, rows)
