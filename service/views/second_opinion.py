"""The second opinion on a bird: all that is known, what isn't, and what would settle it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from classifier.reading import Reading
from classifier.vocabulary import COARSE, coarse_of
from genetics.combs import CLASSES, penetrance
from genetics.cross import transmission
from genetics.genotype import index_of
from service.answers.assessments import assess_birds
from service.answers.refresh import answer
from service.errors import NotFound, Refusal
from service.flock.assessment import Item, told_combs
from service.flock.candidates import Candidate
from service.flock.held_out_errors import Wrong, wrong_like_this
from service.flock.next_steps import Known, Step, chances_of, steps
from service.flock.rule_of_two import THE_MODEL, Rule, Trial, Witness, rule_of_two
from service.flock.value_of_information import StepValue, values_of_steps
from service.records.entries import FINAL
from service.records.tables import (
    BirdRow,
    DecisionRow,
    MatingRow,
    PenBirdRow,
    PhotoRow,
)
from service.views.bird_looks import PhotoLook, last_noted, look_of
from service.views.cautions import cautions, not_known
from service.views.pens_and_hatches import SINGLE, genotypes
from service.wording.numbers import percent
from service.wording.sentences import Coded, Message, as_data, say, word

PURE, SINGLE_AT = index_of("R/R P/P"), index_of("r+/r+ p+/p+")
LEAST_GAIN = 0.0005  # of a step; less would be shown as nothing
TESTER = 0.9  # chance of a single comb's genotype from which a mate tells
# Said below every opinion.
CLOSING_LINES = (
    Message("standing_evidence"),
    Message("standing_choices"),
    Message("standing_law"),
)


@dataclass(frozen=True)
class Brood:
    """What a mating would give."""

    mate: str
    combs: dict[str, float]
    true_breeding: float
    """Chance of a chick that is R/R P/P."""
    single: float


@dataclass(frozen=True)
class Opinion:
    """The second opinion on one bird, as page, sheet and JSON show it."""

    bird: str
    sex: str
    hatched: date | None
    sire: str
    dam: str
    on: date
    model: str
    pile: str
    proposal: str | None
    confidence: float
    reasons: tuple[Coded, ...]
    by: tuple[str, ...]
    """Who settled it, if people did."""
    wrong: Wrong | None
    photos: tuple[PhotoLook, ...]
    candidate: Candidate
    brood: Brood | None
    unknown: tuple[Message, ...]
    steps: tuple[Step, ...]
    worths: tuple[StepValue, ...]
    rule: Rule
    cautions: tuple[Message, ...]
    decisions: tuple[DecisionRow, ...]

    def as_json(self) -> dict[str, Any]:
        """Every number of the page and of the sheet."""
        return {
            "bird": self.bird,
            "sex": self.sex,
            "hatched": self.hatched.isoformat() if self.hatched else None,
            "sire": self.sire,
            "dam": self.dam,
            "on": self.on.isoformat(),
            "model": self.model,
            "pile": self.pile,
            "proposal": self.proposal,
            "confidence": round(self.confidence, 9),
            "reasons": [say(reason) for reason in self.reasons],
            "settled_by": list(self.by),
            "held_out_readings_like_this": (
                vars(self.wrong)
                | {"like": say(self.wrong.like), "in_hundred": self.wrong.in_hundred}
                if self.wrong
                else None
            ),
            "photos": [photo.as_json() for photo in self.photos],
            "candidates": self.candidate.as_json(),
            "combs_told": {c: round(p, 9) for c, p in told_combs(self.candidate.combs).items()},
            "mating": asdict(self.brood) if self.brood else None,
            "not_known": [say(open_question) for open_question in self.unknown],
            "would_settle": [
                {
                    **step_json(step),
                    "gain": next((w.gain for w in self.worths if w.step == step), None),
                    "cost": next((w.cost for w in self.worths if w.step == step), None),
                }
                for step in self.steps
            ],
            "best_next_step": say(self.worths[0].step.says) if self.worths else None,
            "rule_of_two": {
                "met": self.rule.met,
                "by": [say(one) for one in self.rule.by],
                "missing": [say(one) for one in self.rule.missing],
            },
            "cautions": [say(caution) for caution in self.cautions],
            "decisions": [decision_json(decision) for decision in self.decisions],
            "standing": [say(line) for line in CLOSING_LINES],
            "codes": self.codes(),
        }

    def codes(self) -> dict[str, Any]:
        """Return the sentences as codes with values."""
        return {
            "reasons": as_data(self.reasons),
            "not_known": as_data(self.unknown),
            "would_settle": [as_data(step.says) for step in self.steps],
            "rule_of_two": {"by": as_data(self.rule.by), "missing": as_data(self.rule.missing)},
            "cautions": as_data(self.cautions),
            "standing": as_data(CLOSING_LINES),
        }


def decision_json(decision: DecisionRow) -> dict[str, Any]:
    """Return a decision for programs."""
    return {
        "made": decision.made.isoformat(),
        "by": decision.by,
        "choice": decision.choice,
        "reason": decision.reason,
        "recheck": decision.recheck.isoformat() if decision.recheck else None,
    }


def step_json(step: Step) -> dict[str, Any]:
    """Return a step for programs, its sentence in the language at hand."""
    return vars(step) | {"says": say(step.says)}


def bird_with_photos(session: Session, band: str) -> BirdRow | None:
    """Return a bird with its photos and their readings."""
    return session.scalar(
        select(BirdRow)
        .where(BirdRow.band == band)
        .options(selectinload(BirdRow.photos).selectinload(PhotoRow.readings))
    )


def settling_steps(
    session: Session, row: BirdRow, candidate: Candidate, item: Item | None, on: date
) -> list[Step]:
    """Return what would settle a bird (its photos loaded), from what is on record of it."""
    seen = last_noted(session, row)
    other = {"cock": "hen", "hen": "cock"}.get(row.sex, "")
    testers = session.scalars(
        select(BirdRow.band)
        .where(BirdRow.sex == other, BirdRow.comb == "single")
        .order_by(BirdRow.id.desc())
        .limit(3)
    ).all()
    blind = any(r.person and r.blind for photo in row.photos for r in photo.readings)
    known = Known(row.sex, row.hatched, seen.beard, seen.wattles, len(row.photos), blind, testers)
    return steps(candidate, item, known, on)


def useful_steps(
    session: Session,
    row: BirdRow,
    candidate: Candidate,
    item: Item | None,
    card: dict[str, Any],
    on: date,
) -> tuple[list[Step], list[StepValue]]:
    """Return what would settle a bird and what each step is worth; idle steps aren't offered.

    Nothing is, once the keeper has decided what becomes of the bird.
    """
    if decided(session, row):
        return [], []
    found = settling_steps(session, row, candidate, item, on)
    crest = last_noted(session, row).crest
    worths = list(values_of_steps(candidate, found, card, crest, len(row.photos)))
    idle = [worth.step for worth in worths if worth.gain < LEAST_GAIN]
    return (
        [step for step in found if step not in idle],
        [worth for worth in worths if worth.step not in idle],
    )


def decided(session: Session, row: BirdRow) -> bool:
    """Whether the keeper's newest decision says what becomes of a bird."""
    newest = session.scalar(
        select(DecisionRow.choice)
        .where(DecisionRow.bird_id == row.id)
        .order_by(DecisionRow.id.desc())
        .limit(1)
    )
    return newest in FINAL


def opinion(session: Session, band: str, card: dict[str, Any], on: date, mate: str = "") -> Opinion:
    """Return the second opinion on a kept bird whose candidates are worked out.

    `card` is the model's card, `mate` a band for the mating asked about; without one the birds
    that live with it now. Raises StoreError.
    """
    row = bird_with_photos(session, band)
    candidate = answer(session, band)
    if row is None or candidate is None:
        raise NotFound("no_such_bird", band=band)
    item = assess_birds(session, [band]).get(band)
    looks = tuple(look_of(photo) for photo in row.photos)
    found, worths = useful_steps(session, row, candidate, item, card, on)
    seen = last_noted(session, row)
    confidence = item.confidence if item else max(candidate.combs.values())
    decisions = session.scalars(
        select(DecisionRow).where(DecisionRow.bird_id == row.id).order_by(DecisionRow.id.desc())
    ).all()
    best = surest(looks)
    return Opinion(
        bird=band,
        sex=row.sex,
        hatched=row.hatched,
        sire=row.sire,
        dam=row.dam,
        on=on,
        model=card["model"],
        pile=item.pile if item else "",
        proposal=item.proposal if item else None,
        confidence=confidence,
        reasons=item.reasons if item else (),
        by=item.by if item else (),
        wrong=wrong_like_this(card, best) if best else None,
        photos=looks,
        candidate=candidate,
        brood=brood(session, row, candidate, mate),
        unknown=tuple(not_known(row, candidate, seen, looks)),
        steps=tuple(found),
        worths=tuple(worths),
        rule=rule_of(session, row, candidate),
        cautions=tuple(cautions(row, candidate, seen, looks, on)),
        decisions=tuple(decisions),
    )


def surest(looks: Sequence[PhotoLook]) -> Reading | None:
    """Return the model's reading that speaks for the bird; None if none can be used."""
    read = [p.reading for p in looks if p.reading and p.counted and p.reading.pile != "new_photo"]
    return max(read, key=lambda r: r.confidence) if read else None


def witnesses(looks: Sequence[PhotoLook]) -> list[Witness]:
    """Everyone who read the bird, the model by its surest photo."""
    read = [p.reading for p in looks if p.reading and p.counted and p.reading.proposal]
    found = []
    if read:
        best = max(read, key=lambda r: r.confidence)
        found.append(Witness(THE_MODEL, best.proposal or "", True))
    for photo in looks:
        found += [Witness(who, comb, blind) for who, comb, blind in photo.people]
    return found


def tested(session: Session, row: BirdRow, candidate: Candidate) -> Trial:
    """Return what a bird's test matings showed, those to single-combed mates apart."""
    chicks: dict[str, int] = {}
    elsewhere = 0
    query = (
        select(MatingRow)
        .where(MatingRow.purpose == "test")
        .where((MatingRow.sire_id == row.id) | (MatingRow.dam_id == row.id))
        .options(selectinload(MatingRow.counts))
    )
    for mating in session.scalars(query):
        mate = session.get(BirdRow, mating.dam_id if mating.sire_id == row.id else mating.sire_id)
        known = genotypes(session, [mate.band]) if mate else {}
        tells = any(float(chances[SINGLE_AT]) >= TESTER for chances in known.values())
        for count in mating.counts:
            if tells:
                chicks[count.comb] = chicks.get(count.comb, 0) + count.chicks
            else:
                elsewhere += count.chicks
    by_comb = {name: candidate.combs[name] for name in CLASSES}
    sure = max(sum(by_comb[c] for c in combs) for combs in COARSE.values())
    return Trial(chicks, elsewhere, sure)


def rule_of(session: Session, row: BirdRow, candidate: Candidate) -> Rule:
    """Return the rule of two for a bird whose photos are loaded."""
    looks = [look_of(photo) for photo in row.photos]
    read = {
        coarse_of(p.reading.best)
        for p in looks
        if p.reading and p.counted and p.reading.proposal and p.reading.pile != "new_photo"
    }
    return rule_of_two(
        witnesses(looks), tested(session, row, candidate), bool(candidate.conflict), len(read) > 1
    )


def brood(session: Session, row: BirdRow, candidate: Candidate, mate: str) -> Brood | None:
    """Return what the bird would give with a mate, or with those that live with it, each alike."""
    if mate:
        names = [mate]
    else:
        pens = select(PenBirdRow.pen_id).where(
            PenBirdRow.bird_id == row.id, PenBirdRow.until.is_(None)
        )
        other = {"cock": "hen", "hen": "cock"}.get(row.sex, "")
        names = list(
            session.scalars(
                select(BirdRow.band)
                .join(PenBirdRow, PenBirdRow.bird_id == BirdRow.id)
                .where(PenBirdRow.pen_id.in_(pens), PenBirdRow.until.is_(None))
                .where(BirdRow.sex == other)
                .distinct()
            )
        )
    known = genotypes(session, names)
    if mate and not known:
        raise Refusal("no_such_bird", band=mate)
    if not known:
        return None
    partner = np.mean(list(known.values()), axis=0)
    chicks = np.einsum("s,d,sdc->c", chances_of(candidate), partner, transmission())
    combs = chicks @ penetrance(False)
    return Brood(
        " or ".join(sorted(known)),
        dict(zip(CLASSES, combs.tolist(), strict=True)),
        float(chicks[PURE]),
        float(chicks[SINGLE]),
    )


def named_combs(combs: dict[str, float]) -> str:
    """Combs with their chances in the language at hand, the likelier first.

    >>> named_combs({"walnut": 0.75, "rose": 0.25})
    'walnut 75%, rose 25%'
    """
    ranked = sorted(combs.items(), key=lambda pair: -pair[1])
    return ", ".join(f"{word(c)} {percent(p)}" for c, p in ranked if p >= 0.005)
