"""What an opinion rests on without knowing it, and what makes a bird's readings treacherous."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from classifier.reading import none_doubt
from genetics.genotype import NAMES
from service.flock.candidates import Candidate
from service.flock.next_steps import chances_of, costs
from service.records.tables import BirdRow
from service.views.bird_looks import Noted, PhotoLook
from service.wording.sentences import Message


def not_known(
    row: BirdRow, candidate: Candidate, seen: Noted, looks: Sequence[PhotoLook]
) -> list[Message]:
    """Return what the opinion rests on without knowing it."""
    open_at = costs()["limits"]["open"]
    chance = dict(zip(NAMES, chances_of(candidate).tolist(), strict=True))
    found = []
    for allele in ("r+", "p+"):
        hides = sum(p for name, p in chance.items() if carries_hidden(name, allele))
        if open_at < hides < 1 - open_at:
            found.append(Message("unknown_hides", allele=allele, chance=hides))
    if not row.sex:
        found.append(Message("unknown_sex"))
    if row.hatched is None:
        found.append(Message("unknown_age"))
    if seen.beard is None:
        found.append(Message("unknown_beard"))
    if seen.crest is None:
        found.append(Message("unknown_crest"))
    if not (row.sire and row.dam):
        found.append(Message("unknown_parents"))
    if not any(blind for photo in looks for _, _, blind in photo.people):
        found.append(Message("unknown_second_person"))
    return found


def carries_hidden(name: str, allele: str) -> bool:
    """Whether a genotype such as 'R/r+ P/p+' carries a recessive beside its dominant.

    >>> carries_hidden("R/r+ P/P", "r+"), carries_hidden("r+/r+ P/P", "r+")
    (True, False)
    """
    dominant = allele.rstrip("+").upper()
    return f"{dominant}/{allele}" in name.split()


def cautions(
    row: BirdRow, candidate: Candidate, seen: Noted, looks: Sequence[PhotoLook], on: date
) -> list[Message]:
    """Return what makes readings of this bird treacherous."""
    found = []
    weeks = costs()["weeks"]
    if row.hatched and (on - row.hatched).days < 7 * weeks["chicks"]:
        found.append(Message("caution_chick"))
    elif row.hatched:
        grown = weeks["grown_cock" if row.sex == "cock" else "grown_hen"]
        if (on - row.hatched).days < 7 * grown:
            found.append(Message("caution_growing"))
    readings = [p.reading for p in looks if p.reading]
    if seen.crest or (seen.crest is None and any(r.crest >= 0.5 for r in readings)):
        found += [Message("caution_crest"), Message("caution_hernia"), Message("caution_duplex")]
    if seen.beard or (seen.beard is None and any(r.beard >= 0.5 for r in readings)):
        found.append(Message("caution_beard"))
    if any(none_doubt(r.none_of_these) for r in readings):
        found.append(Message("caution_trimmed"))
    pure_rose = sum(p for name, p in candidate.genotypes.items() if name.startswith("R/R"))
    if row.sex == "cock" and pure_rose >= 0.05:
        found.append(Message("caution_fertility", chance=pure_rose))
    return found
