"""All birds on record with what is known of each, as plans and test matings take them."""

from __future__ import annotations

from datetime import date

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from genetics.genotype import NAMES
from genetics.kinship import Parentage
from service.answers.refresh import refresh
from service.errors import StoreError
from service.flock.candidates import Candidate
from service.flock.flock_csv import Flock
from service.flock.matings import KnownFlock
from service.records.birds import stored_flock
from service.records.database import Store
from service.records.tables import AnswerRow, BirdRow


def kept_candidates(session: Session) -> list[Candidate]:
    """Return the candidates of all birds as last worked out, oldest records first."""
    query = select(AnswerRow.content).join(BirdRow).order_by(BirdRow.id)
    return [Candidate.from_data(content) for content in session.scalars(query)]


def known_flock(session: Session, gone: tuple[str, ...] = ()) -> KnownFlock:
    """Return the birds on record with their chances; raises StoreError if some aren't worked out.

    `gone` are bands that no mating is planned with.
    """
    flock, known = stored_flock(session), {c.bird: c for c in kept_candidates(session)}
    lacking = [bird.bird for bird in flock.birds if bird.bird not in known]
    if lacking:
        raise StoreError("answers_pending")
    chances = [[known[b.bird].genotypes[name] for name in NAMES] for b in flock.birds]
    cautions = [known[b.bird].caution for b in flock.birds]
    return KnownFlock(
        flock,
        np.array(chances, float).reshape(-1, len(NAMES)),
        parentage(flock, known),
        next((caution for caution in cautions if caution), None),
        frozenset(gone),
    )


def parentage(flock: Flock, known: dict[str, Candidate]) -> dict[int, Parentage]:
    """Return possible parents with their chances, by row of the birds that have several.

    Sire and dam are taken as independent of each other here.
    """
    found = {}
    for row, some in flock.candidate_parents.items():
        sides = []
        for name, rows, sole in (
            ("sire", some.sires, flock.sire[row]),
            ("dam", some.dams, flock.dam[row]),
        ):
            several = tuple(sorted(rows)) or (sole,)
            of = known[flock.birds[row].bird].parents.get(name, {})
            even = 1 / len(several)
            weights = [of.get(flock.birds[r].bird, even) if r >= 0 else even for r in several]
            sides.append((several, np.array(weights) / sum(weights)))
        (sires, p), (dams, q) = sides
        found[row] = Parentage(sires, dams, np.outer(p, q))
    return found


def brought_up_to_date(store: Store, prior: tuple[float, ...], on: date) -> Store:
    """Return a store once all candidates of its birds are worked out."""
    if not store.look_only:
        refresh(store, prior, on)
    return store
