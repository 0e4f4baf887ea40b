"""The birds that plans over generations may begin with."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.tables import AnswerRow, BirdRow
from service.views.bird_list import leaving

SURE_ENOUGH = 0.9  # of a bird's genotype
# What `genetics.strategies` calls a bird, by genotype and sex.
KINDS = {
    ("R/R P/P", "cock"): "cock",
    ("r+/r+ p+/p+", "hen"): "hen",
    ("R/r+ P/p+", "cock"): "F1 cock",
    ("R/r+ P/p+", "hen"): "F1 hen",
}


def birds_at_hand(session: Session) -> dict[str, list[str]]:
    """Return bands by what the birds are, of those that are sure enough and weren't let go."""
    gone = set(leaving(session))
    found: dict[str, list[str]] = {}
    query = select(BirdRow.band, BirdRow.sex, AnswerRow.content["genotypes"]).join(AnswerRow)
    for band, sex, chances in session.execute(query.order_by(BirdRow.id)):
        genotype = max(chances, key=chances.__getitem__)
        kind = KINDS.get((genotype, sex))
        if kind and chances[genotype] >= SURE_ENOUGH and band not in gone:
            found.setdefault(kind, []).append(band)
    return found
