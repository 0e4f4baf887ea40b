"""A bird leaves the breeding pen on its comb alone only after two independent readings agree,
or after a test mating. What is missing is told; the decision stays the keeper's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from classifier.vocabulary import coarse_of
from service.wording.sentences import Message

THE_MODEL = "the model"
SURE = 0.95  # of the likeliest comb, from which the chicks have decided
TEST_CHICKS = 5  # leave 3.1 % of carriers unseen, (1/2)^5


@dataclass(frozen=True)
class Witness:
    """One look that may count: by the model, or by a person who saw no other reading before."""

    who: str
    comb: str
    independent: bool
    """The model once, however many photos; a person only if the look was blind."""


@dataclass(frozen=True)
class Rule:
    """Whether the rule is met, by what, and what is missing."""

    met: bool
    by: tuple[Message, ...]
    missing: tuple[Message, ...]


def witness_name(who: str) -> str | Message:
    """Return a witness by name; the model has none."""
    return Message("the_model") if who == THE_MODEL else who


@dataclass(frozen=True)
class Trial:
    """What a bird's test matings showed."""

    chicks: Mapping[str, int]
    """Chicks by single-combed mates, comb word to number: those of other mates tell too little."""
    elsewhere: int = 0
    """Chicks by other mates."""
    sure: float = 1.0
    """Chance of the bird's likeliest comb, the chicks counted in."""


NOT_TESTED = Trial({})


def rule_of_two(
    witnesses: Sequence[Witness],
    tested: Trial,
    conflict: bool,
    photos_disagree: bool = False,
) -> Rule:
    """Judge by looks and by the chicks of test matings.

    Combs agree if they are the same of single (folded or not), rose, pea and walnut.
    `photos_disagree`: whether the model reads different combs on the bird's photos, so that its
    word is none.
    """
    scored = sum(tested.chicks.values())
    missing = []
    if scored >= TEST_CHICKS and tested.sure >= SURE and not conflict:
        showed = tuple(
            Message("chicks_of_word", number=n, comb=c) for c, n in tested.chicks.items() if n
        )
        return Rule(True, (Message("rule_test_mating", chicks=scored, counts=showed),), ())
    if scored >= TEST_CHICKS and tested.sure < SURE:
        missing.append(Message("rule_chicks_unclear", chicks=scored, chance=tested.sure))
    elif not scored and tested.elsewhere:
        missing.append(Message("rule_mate_tells_little", chicks=tested.elsewhere))
    if photos_disagree:
        missing.append(Message("rule_photos_disagree"))
        witnesses = [look for look in witnesses if look.who != THE_MODEL]
    # A person's newest blind look; the model speaks once.
    voices: dict[str, str] = {}
    for look in witnesses:
        coarse = coarse_of(look.comb)
        if look.independent and coarse:
            voices[look.who] = coarse
    groups: dict[str, list[str]] = {}
    for who, comb in voices.items():
        groups.setdefault(comb, []).append(who)
    comb, agreed = max(groups.items(), key=lambda g: len(g[1]), default=("", []))
    if len(groups) > 1:
        said = tuple(
            Message("comb_by_whom", comb=c, names=tuple(map(witness_name, w)))
            for c, w in groups.items()
        )
        missing.append(Message("rule_disagree", readings=said))
    elif len(agreed) < 2:
        one = Message("rule_one_so_far", who=witness_name(agreed[0])) if agreed else None
        missing.append(one or Message("rule_none_so_far"))
    if conflict:
        missing.append(Message("rule_conflict"))
    if missing:
        return Rule(False, (), tuple(missing))
    by = tuple(Message("rule_reading", who=witness_name(who), comb=comb) for who in agreed)
    return Rule(True, by, ())
