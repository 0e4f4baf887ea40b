"""What one look at one photo gives, and the pile it goes to."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from classifier.calibration import SHARE_FLOOR
from classifier.quality import rules
from classifier.vocabulary import COMBS, SPOKEN


@dataclass(frozen=True)
class HeadBox:
    """Where the head is, in pixels of the full upright photo."""

    box: tuple[float, float, float, float]
    source: str
    """'found', 'given' or 'whole'."""
    score: float


@dataclass(frozen=True)
class Wattles:
    """Wattle size, or why it isn't told."""

    size: str | None
    why_not: str | None
    share: float | None = None
    """Area of the wattles in sight over that of the square round the head, from their mask."""
    share_90: tuple[float, float] | None = None
    """Interval that holds the share of nine rendered heads in ten (conformal)."""


@dataclass(frozen=True)
class Reading:
    """One look at one photo by one model; see design.md for the contract of its JSON form."""

    photo: str
    head: HeadBox
    comb: tuple[float, ...]
    none_of_these: float
    readable: float
    plausible: tuple[str, ...]
    crest: float
    beard: float
    wattles: Wattles
    complaints: tuple[str, ...]
    remarks: tuple[str, ...]
    model: str
    doubts: tuple[str, ...] = ()
    pile: str = "second_look"
    young: float = 0.0
    """Chance that the bird isn't grown yet."""
    outline: tuple[tuple[tuple[float, float], ...], ...] = ()
    """Rings round the comb, in pixels of the full upright photo."""

    @property
    def best(self) -> str:
        """The likeliest of the six combs."""
        return COMBS[max(range(len(COMBS)), key=self.comb.__getitem__)]

    @property
    def confidence(self) -> float:
        """Probability of the likeliest comb, none-of-these allowed for."""
        return max(self.comb) * (1 - self.none_of_these)

    @property
    def proposal(self) -> str | None:
        """The comb proposed, or None where the honest answer is 'can't tell'."""
        limits = rules()["pile"]
        if self.pile == "new_photo" or self.none_of_these >= 0.5:
            return None
        return self.best if self.confidence >= limits["least_confidence"] * 0.7 else None

    def as_json(self) -> dict[str, Any]:
        """The contract's JSON object."""
        return {
            "photo": self.photo,
            "ok": True,
            "head": {
                "box": [round(v, 1) for v in self.head.box],
                "source": self.head.source,
                "score": round(self.head.score, 4),
            },
            "comb": {c: round(p, 6) for c, p in zip(COMBS, exact_sum(self.comb), strict=True)},
            "none_of_these": round(self.none_of_these, 4),
            "proposal": self.proposal,
            "confidence": round(self.confidence, 4),
            "plausible": list(self.plausible),
            "crest": round(self.crest, 4),
            "beard": round(self.beard, 4),
            "wattles": {"size": self.wattles.size, "why_not": self.wattles.why_not},
            "doubts": list(self.doubts),
            "pile": self.pile,
            "model": self.model,
            "measures": self.measures(),
        }

    def measures(self) -> dict[str, Any]:
        """What the contract doesn't ask for: chance of a young bird, the wattles' share."""
        share, interval = self.wattles.share, self.wattles.share_90
        return {
            "young": round(self.young, 4),
            "wattle_share": None if share is None else round(share, 4),
            "wattle_share_90": None if interval is None else [round(v, 4) for v in interval],
        }


def exact_sum(values: tuple[float, ...]) -> list[float]:
    """Values rounded to six places with the rest given to the largest, so that they sum to 1."""
    rounded = [round(v, 6) for v in values]
    top = max(range(len(rounded)), key=rounded.__getitem__)
    rounded[top] = round(rounded[top] + 1 - sum(rounded), 6)
    return rounded


def risk(taken_for: str, chances: tuple[float, ...] | list[float]) -> float:
    """Expected cost of acting on `taken_for` when the combs have these chances."""
    costs = rules()["costs"][taken_for]
    return float(sum(p * costs.get(c, 0.0) for c, p in zip(COMBS, chances, strict=True)))


def crest_doubt(crest: float, chances: tuple[float, ...] | list[float]) -> str | None:
    """The chief doubt: a crest that may fold a single comb; None if there is no such danger."""
    limits = rules()["pile"]
    folded = chances[COMBS.index("crest_folded_single")]
    if crest < limits["crest_present"] or folded < limits["folded_mention"]:
        return None
    chance = (
        f"{folded:.0%}" if folded >= 0.01 else "a chance below 1 in 100, but not to be ruled out"
    )
    return (
        "a crest is present and the comb is unclear, so this may be a single comb that the crest "
        f"folds ({chance}); part the feathers and photograph it from above"
    )


def none_doubt(none_of_these: float) -> str | None:
    """The doubt that the comb may be none of the six; None where that is unlikely enough."""
    if none_of_these < rules()["pile"]["most_none"]:
        return None
    return (
        f"perhaps none of the six combs ({none_of_these:.0%}): "
        "V, cup, trimmed, combless, or no head at all"
    )


def judged(reading: Reading) -> Reading:
    """The reading with its doubts in words and its pile."""
    limits, finder = rules()["pile"], rules()["finder"]
    doubts: list[str] = []
    again = list(reading.complaints)
    if reading.head.source == "whole":
        again = ["no head found: is a chicken's head in this photo, in focus and large enough?"]
    elif reading.head.source == "found" and reading.head.score < finder["doubtful_score"]:
        doubts.append("the head was found with little certainty: check the box")
    if not again and reading.readable < rules()["quality"]["least_readable"]:
        again.append("the comb can't be made out: turned away or covered? take another")
    if again:
        return replace(reading, doubts=(*again, *doubts, *reading.remarks), pile="new_photo")
    none = none_doubt(reading.none_of_these)
    if none:
        doubts.append(none)
    crest = crest_doubt(reading.crest, reading.comb)
    if crest:
        doubts.append(crest)
    elif reading.best == "crest_folded_single":
        doubts.append("reads as a single comb in a fold, yet no crest is seen")
    others = [SPOKEN[c] for c in reading.plausible if c != reading.best]
    unsure = reading.confidence < limits["least_confidence"]
    expected = risk(reading.best, reading.comb)
    if unsure or expected > limits["most_risk"]:
        ranked = sorted(zip(reading.comb, COMBS, strict=True), reverse=True)
        names = " or ".join(others) or SPOKEN[ranked[1][1]]
        doubts.append(f"could also be {names}: a wrong reading would cost more than a second look")
    pile = "settled"
    if doubts or reading.best == "crest_folded_single":
        pile = "second_look"
    if reading.young >= limits["young_mention"]:
        # Said, but no reason by itself to look again: the comb that shows was read.
        doubts.append("it looks young: its comb may not show yet what it will be")
    return replace(reading, doubts=(*doubts, *reading.remarks), pile=pile)


def wattles_told(
    sizes: dict[str, float], share: float, error: float | None, beard: float, readable: float
) -> Wattles:
    """Wattle size from its probabilities, silent where a beard is present or likely.

    `share` is measured from the mask, `error` what conformal calibration allows for it (see
    `calibration.share_errors`), None if it isn't known.
    """
    limits = rules()["pile"]
    if beard >= 0.5:
        return Wattles(None, "beard present")
    if beard >= limits["beard_absent"]:
        return Wattles(None, "a beard can't be ruled out")
    if readable < rules()["quality"]["least_readable"]:
        return Wattles(None, "the head can't be read")
    size = max(sizes, key=sizes.__getitem__)
    if sizes[size] < limits["wattle_sure"]:
        return Wattles(None, "size unclear")
    if size == "none":
        return Wattles(None, "no wattles seen")
    if error is None:
        return Wattles(size, None, share)
    reach = error * (share + SHARE_FLOOR)
    return Wattles(size, None, share, (max(0.0, share - reach), share + reach))
