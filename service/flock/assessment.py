"""One bird judged: the pile it goes to, and why."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from classifier.quality import rules
from classifier.reading import Reading, crest_doubt, none_doubt, risk
from classifier.vocabulary import COMBS, SPOKEN
from service.flock.candidates import Candidate
from service.flock.flock_csv import Bird

PILE_ORDER = ("second_look", "new_photo", "settled")


@dataclass(frozen=True)
class Item:
    """One bird of a batch: its photos, readings, candidates and the pile it goes to."""

    bird: str
    photos: tuple[Path, ...]
    readings: tuple[Reading, ...]
    candidate: Candidate | None
    pile: str
    proposal: str | None
    confidence: float
    risk: float
    reasons: tuple[str, ...]


def item_of(
    bird: str,
    photos: tuple[Path, ...],
    readings: tuple[Reading, ...],
    candidate: Candidate | None,
    row: Bird | None,
) -> Item:
    """One bird judged: its readings alone if it isn't in a flock, else with its relatives."""
    limits = rules()["pile"]
    usable = [r for r in readings if r.pile != "new_photo"]
    best = max(usable or readings, key=lambda r: r.confidence)
    if not usable:
        reasons = list(dict.fromkeys(d for r in readings for d in r.doubts))
        return Item(
            bird,
            photos,
            readings,
            candidate,
            "new_photo",
            None,
            best.confidence,
            risk(best.best, best.comb),
            tuple(reasons),
        )
    chances = tuple(candidate.combs[c] for c in COMBS) if candidate else best.comb
    proposal = COMBS[max(range(len(COMBS)), key=chances.__getitem__)]
    confidence = max(chances) * (1 - best.none_of_these)
    expected = risk(proposal, chances)
    reasons = []
    told: str | None = proposal if best.none_of_these < 0.5 else None
    none = none_doubt(best.none_of_these)
    if none:
        reasons.append(none)
    reasons += [d for d in best.doubts if d.startswith(("the head was found", "more than one"))]
    noted = row.crest if row else None
    crest = {True: 1.0, False: 0.0, None: best.crest}[noted]
    doubt = crest_doubt(crest, best.comb)
    if doubt:
        reasons.append(doubt)
    elif proposal == "crest_folded_single":
        reasons.append("reads as a single comb in a fold, yet no crest is seen")
    if candidate and candidate.conflict:
        reasons.insert(0, candidate.conflict)
    if best.proposal and best.best != proposal:
        reasons.append(
            f"the photo says {SPOKEN[best.best]}, its relatives {SPOKEN[proposal]}: look again"
        )
    if row and row.comb and row.comb not in (proposal, "pea") and not reasons:
        reasons.append(f"written down as {SPOKEN[row.comb]}, read as {SPOKEN[proposal]}")
    if len({r.best for r in usable if r.proposal}) > 1:
        words = sorted({SPOKEN[r.best] for r in usable if r.proposal})
        reasons.append(f"its photos disagree: {' and '.join(words)}")
    unsure = expected > limits["most_risk"] or confidence < limits["least_confidence"]
    if unsure and told:
        ranked = sorted(zip(chances, COMBS, strict=True), reverse=True)[1:3]
        names = " or ".join(f"{SPOKEN[c]} ({p:.0%})" for p, c in ranked if p >= 0.02)
        reasons.append(f"could also be {names or 'another comb'}")
    return Item(
        bird,
        photos,
        readings,
        candidate,
        "second_look" if reasons else "settled",
        told,
        confidence,
        expected,
        tuple(reasons),
    )
