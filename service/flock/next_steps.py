"""What would settle a bird, the cheapest step first.

Steps are offered, never a verdict: each says what it costs in work and in weeks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from genetics.genotype import NAMES, index_of
from genetics.numbers import toml
from genetics.planning import usual_rates
from genetics.testmating import TestMatingError, plan, question
from service.flock.assessment import Item
from service.flock.candidates import Candidate
from service.wording.sentences import Coded, Message

SINGLE = index_of("r+/r+ p+/p+")


def costs() -> dict[str, Any]:
    """Return the numbers of `genetics/settling.toml`, with the user's own in place."""
    return toml("settling")


@dataclass(frozen=True)
class Known:
    """What is on record of a bird beyond its candidates."""

    sex: str
    hatched: date | None
    beard: bool | None
    wattles: str
    photos: int
    read_blind: bool
    """Whether a person has read one of its photos before seeing the model's reading."""
    testers: Sequence[str] = ()
    """Single-combed birds of the other sex."""


# Doubts that a better photo of the same head would settle.
RETAKEN = ("unearned_frontal", "unearned_small", "unearned_blurred", "unearned_dark")


@dataclass(frozen=True)
class Step:
    """Something that would tell more about a bird."""

    kind: str
    says: Coded
    minutes: int
    weeks: int = 0
    eggs: int = 0
    locus: str = ""
    """R or P, which a test mating asks about."""
    mate: str = ""
    """Its best mate at hand."""


def steps(candidate: Candidate, item: Item | None, known: Known, on: date) -> list[Step]:
    """Return what would settle a bird, by weeks to wait and then by minutes of work."""
    minutes, weeks = costs()["minutes"], costs()["weeks"]
    found: list[Step] = []
    reasons = item.reasons if item else ()
    if not known.photos:
        says = Message("step_photo")
        found.append(Step("photo", says, minutes["photo"]))
    elif item and item.pile == "new_photo":
        says = Message("step_another_photo", why=reasons[0])
        found.append(Step("photo", says, minutes["photo"]))
    elif better := next((r for r in reasons if r.code in RETAKEN), None):
        says = Message("step_another_photo", why=better)
        found.append(Step("photo", says, minutes["photo"]))
    if any(r.code in ("crest_may_fold", "crest_hardly_folds") for r in reasons):
        says = Message("step_part_crest")
        found.append(Step("parted", says, minutes["part_the_crest"]))
    unsure = item is not None and item.pile != "settled"
    if known.photos and unsure and not known.read_blind:
        says = Message("step_blind")
        found.append(Step("blind", says, minutes["second_person"]))
    if pea_is_open(candidate):
        if known.beard is None:
            says = Message("step_note_beard")
            found.append(Step("note", says, minutes["note"]))
        elif known.beard is False and not known.wattles:
            says = Message("step_note_wattles")
            found.append(Step("note", says, minutes["note"]))
    age = (on - known.hatched).days / 7 if known.hatched else None
    left = weeks["grown_cock" if known.sex == "cock" else "grown_hen"] - (age or 0)
    if age is not None and unsure and left > 0:
        wait = max(weeks["least_wait"], round(left))
        says = Message("step_wait", weeks=wait)
        found.append(Step("wait", says, minutes["wait"], wait))
    found += tests(candidate, known, max(0, round(left)) if age is not None else 0)
    return sorted(found, key=lambda s: (s.weeks, s.minutes))


def chances_of(candidate: Candidate) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the candidate's genotypes as probabilities (9,)."""
    return np.array([candidate.genotypes[name] for name in NAMES])


def pea_is_open(candidate: Candidate) -> bool:
    """Whether the genotype at P isn't all but known."""
    by_pea = chances_of(candidate).reshape(3, 3).sum(0)
    return bool(by_pea.max() < 1 - costs()["limits"]["open"])


def tests(candidate: Candidate, known: Known, grown_in: int) -> list[Step]:
    """Return the test mating to a single-combed bird that tells the recessives it may hide."""
    limits, weeks = costs()["limits"], costs()["weeks"]
    chances = chances_of(candidate)
    open_loci = {}
    for locus, hidden in (("R", "r+"), ("P", "p+")):
        asked = question(locus)
        carrier, pure = float(chances @ asked.carrier), float(chances @ asked.pure)
        if min(carrier, pure) <= limits["open"]:
            continue
        try:
            worked = plan(chances, SINGLE, locus, limits["certainty"], usual_rates())
        except TestMatingError:
            continue
        open_loci[hidden] = worked
    if not open_loci:
        return []
    # One mating answers both: the locus that needs more chicks says how many.
    worked = max(open_loci.values(), key=lambda w: w.chicks)
    mates = tuple(known.testers) or Message("a_single_combed_bird")
    hidden, *more = open_loci
    if more:
        says = Message(
            "step_test_both",
            mates=mates,
            chicks=worked.chicks,
            hidden=hidden,
            other=more[0],
            eggs=worked.eggs,
        )
    else:
        says = Message(
            "step_test", mates=mates, chicks=worked.chicks, hidden=hidden, eggs=worked.eggs
        )
    total = grown_in + weeks["mating"] + weeks["brooding"] + weeks["chicks"]
    mate = known.testers[0] if known.testers else ""
    minutes = costs()["minutes"]["test_mating"]
    return [Step("test", says, minutes, total, worked.eggs, worked.locus, mate)]
