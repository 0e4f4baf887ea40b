"""Large families held ready, so that a new reading of one bird is worked in at once.

Only readings and photos may have changed since the family was last worked out as a whole: the trail
tells. Then only the bird's own likelihood is new, and the kept messages of the network give the
exact answers of the bird, its parents, chicks and mates, and on to theirs as long as any is moved.
Those further away keep theirs until the family is worked out as a whole again: at the next start,
or when anything else changes. The same holds for what a blind reading tells of its reader's slips.
Families in which a comb couples R and P with a crest that nobody noted aren't held ready.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from genetics.incremental import BucketTree
from genetics.pedigree import bucket_tree
from genetics.variable_elimination import Impossible, TooWide, normalise
from service.answers.family_snapshot import OPEN, Question
from service.flock.candidates import describe
from service.flock.evidence import Evidence
from service.flock.flock_csv import OR, Flock
from service.flock.inference import Inference, comb_layer
from service.records.tables import BirdRow, ChangeRow, PhotoRow

SMALLEST = 60  # below so many birds a family is worked out as a whole as fast
MOVED = 1e-3  # a probability that moved by less is no new answer
MOST_MOVED = 400  # birds whose answers are worked out anew for one reading
HARMLESS = ("readings", "photos", "decisions")


@dataclass
class HeldFamily:
    """A family, all that its answers rest on, and how far on the trail that reaches."""

    question: Question
    """As it was when the family was worked out as a whole; what was seen since is in `seen`."""
    seen: list[Evidence]
    stamp: int
    inference: Inference
    network: BucketTree
    unexplained: set[int]
    """Rows with a conflict whose culprits weren't weighed yet."""
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

    def update(
        self, session: Session, culprits: Container[str] | None
    ) -> dict[str, dict[str, Any]] | None:
        """Return new answers by band; None if the family must be worked out as a whole."""
        bands = self.changed_bands(session)
        if bands is None:
            return None
        flock, rows = self.question.flock, self.rows
        around: set[int] = set()
        for band, new in self.question.grounds.evidence_by_band(session, flock, bands).items():
            row = rows[band]
            old = self.seen[row]
            if new.coupling is not None or new.crest != old.crest or new.beard != old.beard:
                return None
            try:
                self.network.change(row, normalise((row,), new.on_genotypes))
            except Impossible:
                return None
            self.seen[row] = new
            self.inference.likelihoods[row] = new.on_genotypes
            around |= neighbours_of(flock, row)
        wanted = {rows[band] for band in bands}
        combs = self.inference.combs
        known: set[int] = set()
        while around and len(known) < MOST_MOVED:
            # As far as birds are moved, their relatives are looked at too.
            row = around.pop()
            known.add(row)
            belief, others = self.network.belief(row)
            if np.abs(belief - combs.marginals[row]).max() > MOVED:
                wanted.add(row)
                around |= neighbours_of(flock, row) - known
            combs.marginals[row], combs.cavities[row] = belief, others
        explain = {
            row
            for row in self.unexplained | wanted
            if culprits is None or self.question.band(row) in culprits
        }
        found = {}
        for row in sorted(wanted | (explain & self.unexplained)):
            candidate = describe(flock, row, self.seen, self.inference, row in explain)
            open_question = bool(candidate.conflict) and row not in explain
            (self.unexplained.add if open_question else self.unexplained.discard)(row)
            found[candidate.bird] = candidate.as_data() | {OPEN: open_question}
        return found


def neighbours_of(flock: Flock, row: int) -> set[int]:
    """Rows of a bird, its parents, its chicks and their other parents, possible ones included."""

    def parents(of: int) -> set[int]:
        some = flock.candidate_parents.get(of)
        several = {*some.sires, *some.dams} if some else set()
        return {flock.sire[of], flock.dam[of], *several} - {-1}

    sire: NDArray[np.int64] = np.asarray(flock.sire)
    dam: NDArray[np.int64] = np.asarray(flock.dam)
    chicks = {int(i) for i in np.flatnonzero((sire == row) | (dam == row))}
    chicks |= {i for i, some in flock.candidate_parents.items() if row in (*some.sires, *some.dams)}
    found = {row} | parents(row) | chicks
    for chick in chicks:
        found |= parents(chick)
    return found


def hold_ready(
    question: Question, inference: Inference, unexplained: set[int]
) -> HeldFamily | None:
    """Return a family held ready; None for a small one, or one whose answers can't be kept so."""
    flock = question.flock
    exact = inference.method == "exact" and not inference.joints
    if len(flock.birds) < SMALLEST or not exact:
        return None
    own = np.array([e.on_genotypes for e in question.seen])
    if not np.array_equal(own, inference.likelihoods):
        return None  # records that contradict each other were given a small error probability
    layer = comb_layer(own, inference.priors, question.counted)
    try:
        network = bucket_tree(flock.sire, flock.dam, layer, flock.candidate_parents)
    except (TooWide, Impossible):
        return None
    rows = {bird.bird: row for row, bird in enumerate(flock.birds)}
    return HeldFamily(
        question, list(question.seen), question.stamp, inference, network, unexplained, rows
    )
