"""What one look at one photo gives, and the pile it goes to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from classifier.messages import Doubt
from classifier.outputs import SHARE_FLOOR
from classifier.quality import rules
from classifier.sureness import Mistake
from classifier.vocabulary import COMBS


@dataclass(frozen=True)
class HeadBox:
    """Where the head is, in pixels of the full upright photo."""

    box: tuple[float, float, float, float]
    source: str
    """'found', 'given' or 'whole'."""
    score: float

    @property
    def found(self) -> bool:
        """Whether the finder claims a head here."""
        return self.source == "found"


@dataclass(frozen=True)
class Wattles:
    """Wattle size, or why it isn't told."""

    size: str | None
    why_not: Doubt | None
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
    complaints: tuple[Doubt, ...]
    """Why another photo is needed."""
    remarks: tuple[Doubt, ...]
    """What is worth saying of the file itself."""
    model: str
    doubts: tuple[Doubt, ...] = ()
    pile: str = "second_look"
    young: float = 0.0
    """Chance that the bird isn't grown yet."""
    frontal: float = 0.0
    """Chance that the head is seen from the front, from above or from behind."""
    outline: tuple[tuple[tuple[float, float], ...], ...] = ()
    """Rings round the comb, in pixels of the full upright photo."""
    mistake: Mistake | None = None
    """How often readings like this are wrong; None for models that don't know."""

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

    def as_json(self, say: Callable[[Doubt], str] = str) -> dict[str, Any]:
        """Return the contract's JSON object; `say` makes a doubt into a sentence."""
        why_not = self.wattles.why_not
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
            "wattles": {"size": self.wattles.size, "why_not": why_not and say(why_not)},
            "doubts": [say(doubt) for doubt in self.doubts],
            "pile": self.pile,
            "model": self.model,
            "measures": self.measures(),
        }

    def measures(self) -> dict[str, Any]:
        """Return what the contract doesn't ask for.

        Chance of a young bird, the wattles' share, codes.
        """
        share, interval = self.wattles.share, self.wattles.share_90
        return {
            "young": round(self.young, 4),
            "frontal": round(self.frontal, 4),
            "mistake": None if self.mistake is None else round(self.mistake.chance, 4),
            "wattle_share": None if share is None else round(share, 4),
            "wattle_share_90": None if interval is None else [round(v, 4) for v in interval],
            "doubt_codes": [
                {"code": doubt.code, "parameters": dict(doubt.values)} for doubt in self.doubts
            ],
        }


def exact_sum(values: tuple[float, ...]) -> list[float]:
    """Values rounded to six places with the rest given to the largest, so that they sum to 1."""
    rounded = [round(v, 6) for v in values]
    top = max(range(len(rounded)), key=rounded.__getitem__)
    rounded[top] = round(rounded[top] + 1 - sum(rounded), 6)
    return rounded


def risk(taken_for: str, chances: tuple[float, ...] | list[float]) -> float:
    """Return expected cost of acting on `taken_for` when the combs have these chances."""
    costs = rules()["costs"][taken_for]
    return float(sum(p * costs.get(c, 0.0) for c, p in zip(COMBS, chances, strict=True)))


def crest_doubt(crest: float, chances: tuple[float, ...] | list[float]) -> Doubt | None:
    """Return the chief doubt: a crest that may fold a single comb.

    None if there is no such danger.
    """
    limits = rules()["pile"]
    folded = chances[COMBS.index("crest_folded_single")]
    if crest < limits["crest_present"] or folded < limits["folded_mention"]:
        return None
    return Doubt("crest_may_fold", chance=folded) if folded >= 0.01 else Doubt("crest_hardly_folds")


def none_doubt(none_of_these: float) -> Doubt | None:
    """Return the doubt that the comb may be none of the six; None where that is unlikely enough."""
    if none_of_these < rules()["pile"]["most_none"]:
        return None
    return Doubt("none_of_six", chance=none_of_these)


def judge(reading: Reading) -> Reading:
    """Return the reading with its doubts and its pile."""
    limits, finder = rules()["pile"], rules()["finder"]
    doubts: list[Doubt] = []
    again = list(reading.complaints)
    if reading.head.source == "whole":
        again = [Doubt("no_head")]
    elif reading.head.source == "found" and reading.head.score < finder["doubtful_score"]:
        doubts.append(Doubt("head_uncertain"))
    if not again and reading.readable < rules()["quality"]["least_readable"]:
        again.append(Doubt("comb_hidden"))
    if again:
        return replace(reading, doubts=(*again, *doubts, *reading.remarks), pile="new_photo")
    none = none_doubt(reading.none_of_these)
    if none:
        doubts.append(none)
    crest = crest_doubt(reading.crest, reading.comb)
    if crest:
        doubts.append(crest)
    elif reading.best == "crest_folded_single":
        doubts.append(Doubt("folded_without_crest"))
    others = tuple(c for c in reading.plausible if c != reading.best)
    unsure = reading.confidence < limits["least_confidence"]
    expected = risk(reading.best, reading.comb)
    if unsure or expected > limits["most_risk"]:
        ranked = sorted(zip(reading.comb, COMBS, strict=True), reverse=True)
        doubts.append(Doubt("costly_alternatives", combs=others or (ranked[1][1],)))
    if reading.mistake and reading.mistake.doubt and not doubts:
        doubts.append(reading.mistake.doubt)
    pile = "settled"
    if doubts or reading.best == "crest_folded_single":
        pile = "second_look"
    if reading.young >= limits["young_mention"]:
        # Said, but no reason by itself to look again: the comb that shows was read.
        doubts.append(Doubt("looks_young"))
    return replace(reading, doubts=(*doubts, *reading.remarks), pile=pile)


def wattles_from(
    sizes: dict[str, float], share: float, error: float | None, beard: float, readable: float
) -> Wattles:
    """Wattle size from its probabilities, silent where a beard is present or likely.

    `share` is measured from the mask, `error` what conformal calibration allows for it (see
    `calibration.share_errors`), None if it isn't known.
    """
    limits = rules()["pile"]
    if beard >= 0.5:
        return Wattles(None, Doubt("beard_present"))
    if beard >= limits["beard_absent"]:
        return Wattles(None, Doubt("beard_possible"))
    if readable < rules()["quality"]["least_readable"]:
        return Wattles(None, Doubt("head_unreadable"))
    size = max(sizes, key=sizes.__getitem__)
    if sizes[size] < limits["wattle_sure"]:
        return Wattles(None, Doubt("size_unclear"))
    if size == "none":
        return Wattles(None, Doubt("no_wattles_seen"))
    if error is None:
        return Wattles(size, None, share)
    reach = error * (share + SHARE_FLOOR)
    return Wattles(size, None, share, (max(0.0, share - reach), share + reach))
