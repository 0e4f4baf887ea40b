"""One bird judged: the pile it goes to, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from classifier.messages import Doubt
from classifier.quality import rules
from classifier.reading import Reading, crest_doubt, none_doubt, risk
from classifier.sureness import Mistake
from classifier.vocabulary import COARSE, COMBS, NONE, SPOKEN, coarse_of
from service.flock.candidates import Candidate
from service.flock.flock_csv import Bird
from service.wording.sentences import Coded, Message

PEAS = COARSE["pea"]
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
    reasons: tuple[Coded, ...]
    by: tuple[str, ...] = ()
    """Who settled it, if people did."""

    @property
    def sure(self) -> float | None:
        """How sure the proposal is; None where a number would belong to something else."""
        known = self.proposal and self.proposal != NONE and not self.by
        return self.confidence if known else None


@dataclass(frozen=True)
class PersonLook:
    """What somebody sees on a bird's photos, by the newest look."""

    by: str
    comb: str
    """A comb word or `none_of_these`; empty if it can't be told."""
    blind: bool
    """Whether the same was said before anything else was seen."""


def agreement(people: Sequence[PersonLook]) -> tuple[str, tuple[str, ...]]:
    """Return the comb on which two or more blind readers agree, none differing, and their names.

    Empty if they don't. Blade and triple agree as pea.

    >>> agreement([PersonLook("Ada", "rose", True), PersonLook("Ben", "rose", True)])
    ('rose', ('Ada', 'Ben'))
    """
    blind = [look for look in people if look.blind and look.comb]
    if len(blind) < 2 or any(not same_coarse(look.comb, blind[0].comb) for look in blind):
        return "", ()
    words = {look.comb for look in blind}
    if len(words) > 1:
        word = "pea" if words <= {"pea", *PEAS} else "single"
        return word, tuple(look.by for look in blind)
    return words.pop(), tuple(look.by for look in blind)


def settled_by_people(
    bird: str,
    photos: tuple[Path, ...],
    readings: tuple[Reading, ...],
    candidate: Candidate | None,
    people: Sequence[PersonLook],
) -> Item | None:
    """Return a bird as its blind readers read it, if they agree; only relatives may contradict."""
    comb, names = agreement(people)
    if not names:
        return None
    combs = candidate.combs if candidate else {}
    conflict = candidate.conflict if candidate else None
    chances = tuple(combs.get(c, float(same_coarse(c, comb))) for c in COMBS)
    known = comb != NONE
    return Item(
        bird,
        photos,
        readings,
        candidate,
        "second_look" if conflict else "settled",
        comb,
        sum(p for c, p in zip(COMBS, chances, strict=True) if same_coarse(c, comb))
        if known
        else 0.0,
        risk_of(comb, chances) if known else 0.0,
        (conflict.message,) if conflict else (),
        names,
    )


def unreadable(
    bird: str,
    photos: tuple[Path, ...],
    readings: tuple[Reading, ...],
    candidate: Candidate | None,
    people: Sequence[PersonLook],
) -> Item:
    """Return a bird whose photos say nothing to the reader; one person's word is a proposal."""
    told_by = [look for look in people if look.comb and look.comb != NONE]
    if told_by and candidate:
        combs = tuple(candidate.combs[c] for c in COMBS)
        proposal, chance = proposed(combs)
        why = tuple(Message("one_person_read", who=k.by, comb=k.comb) for k in told_by)
        pile, danger = "second_look", risk_of(proposal, combs)
        return Item(bird, photos, readings, candidate, pile, proposal, chance, danger, why)
    best = max(readings, key=lambda r: r.confidence)
    return Item(
        bird,
        photos,
        readings,
        candidate,
        "new_photo",
        None,
        best.confidence,
        risk(best.best, best.comb),
        tuple(dict.fromkeys(d for r in readings for d in r.doubts)),
    )


def item_of(
    bird: str,
    photos: tuple[Path, ...],
    readings: tuple[Reading, ...],
    candidate: Candidate | None,
    row: Bird | None,
    people: Sequence[PersonLook] = (),
) -> Item:
    """One bird judged: its readings alone if it isn't in a flock, else with its relatives.

    Two people who read it blind and agree settle it, whatever the photos are like.
    """
    by_people = settled_by_people(bird, photos, readings, candidate, people)
    if by_people:
        return by_people
    limits = rules()["pile"]
    usable = [r for r in readings if r.pile != "new_photo"]
    best = max(usable or readings, key=lambda r: r.confidence)
    if not usable:
        return unreadable(bird, photos, readings, candidate, people)
    chances = tuple(candidate.combs[c] for c in COMBS) if candidate else best.comb
    proposal, chance = proposed(chances)
    confidence = chance * (1 - best.none_of_these)
    expected = risk_of(proposal, chances)
    told = proposal if best.none_of_these < 0.5 else None
    reasons = doubts_of_photo(best, proposal, row)
    if candidate and candidate.conflict:
        reasons.insert(0, candidate.conflict.message)
    reasons += disagreements(best, usable, proposal, row, doubted=bool(reasons))
    blind = [look for look in people if look.blind and look.comb]
    if any(not same_coarse(look.comb, blind[0].comb) for look in blind):
        said = tuple(Message("comb_by_whom", comb=k.comb, names=(k.by,)) for k in blind)
        reasons.append(Message("rule_disagree", readings=said))
    unsure = expected > limits["most_risk"] or confidence < limits["least_confidence"]
    if unsure and told:
        reasons.append(alternatives(proposal, chances))
    reasons += unearned(usable, proposal) if not reasons else []
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


TOLD_APART = 0.8  # share of the two pea combs from which one of them is named


def proposed(chances: Sequence[float]) -> tuple[str, float]:
    """Return the comb to propose and its chance: 'pea' where blade and triple can't be told apart.

    >>> proposed((0.05, 0.0, 0.05, 0.3, 0.4, 0.2))
    ('pea', 0.7)
    """
    by_comb = dict(zip(COMBS, chances, strict=True))
    pea = sum(by_comb[c] for c in PEAS)
    best = max((c for c in COMBS if c not in PEAS), key=by_comb.__getitem__)
    if pea <= by_comb[best]:
        return best, by_comb[best]
    return told_pea(by_comb), pea


def told_pea(combs: Mapping[str, float]) -> str:
    """Return the likelier pea comb if it is told from the other by its chance, else 'pea'."""
    likelier = max(PEAS, key=lambda comb: combs.get(comb, 0.0))
    pea = sum(combs.get(c, 0.0) for c in PEAS)
    return likelier if combs.get(likelier, 0.0) >= TOLD_APART * pea else "pea"


def told_combs(combs: Mapping[str, float]) -> dict[str, float]:
    """Return chances by comb word, blade and triple added up where they can't be told apart.

    >>> told_combs({"rose": 0.2, "single_blade_pea": 0.3, "triple_pea": 0.5})
    {'rose': 0.2, 'pea': 0.8}
    """
    if told_pea(combs) != "pea":
        return dict(combs)
    pea = sum(combs.get(c, 0.0) for c in PEAS)
    return {comb: p for comb, p in combs.items() if comb not in PEAS} | {"pea": pea}


def risk_of(proposal: str, chances: Sequence[float]) -> float:
    """Return the expected cost of acting on a proposal; of 'pea' the mistakes beyond pea alone."""
    if proposal not in ("pea", *PEAS):
        return risk(proposal, tuple(chances))
    others = tuple(0.0 if c in PEAS else p for c, p in zip(COMBS, chances, strict=True))
    likelier = max(PEAS, key=lambda c: chances[COMBS.index(c)])
    return risk(likelier, others)


def alike(one: str, other: str) -> bool:
    """Whether two comb words may stand for one comb: the peas do, as photos seldom tell them."""
    return one == other or coarse_of(one) == coarse_of(other) == "pea"


def same_coarse(one: str, other: str) -> bool:
    """Whether two people's words agree: the peas do, and a single comb folded or not."""
    return one == other or (coarse_of(one) == coarse_of(other) and coarse_of(one) is not None)


def doubts_of_photo(best: Reading, proposal: str, row: Bird | None) -> list[Coded]:
    """Return what is doubtful of the best photo itself; a crest that was noted outranks it."""
    reasons: list[Coded] = []
    none = none_doubt(best.none_of_these)
    if none:
        reasons.append(none)
    reasons += [d for d in best.doubts if d.code in ("head_uncertain", "several_pictures")]
    noted = row.crest if row else None
    crest = {True: 1.0, False: 0.0, None: best.crest}[noted]
    doubt = crest_doubt(crest, best.comb)
    if doubt:
        reasons.append(doubt)
    elif proposal == "crest_folded_single":
        reasons.append(Doubt("folded_without_crest"))
    return reasons


def unearned(usable: Sequence[Reading], proposal: str) -> list[Coded]:
    """Return why readings of a comb aren't relied on: their like were wrong too often.

    One view that has earned its sureness is enough, and a view has if half of its photos have:
    of ten frames of one second the luckiest would be sure of itself.
    """
    by_view: dict[bool, list[Mistake]] = {}
    for reading in usable:
        if reading.mistake and alike(reading.best, proposal):
            by_view.setdefault(reading.frontal >= 0.5, []).append(reading.mistake)
    mistakes = [mistake for some in by_view.values() for mistake in some]
    if not mistakes or any(
        2 * sum(m.earned for m in some) >= len(some) for some in by_view.values()
    ):
        return []
    doubts = [mistake for mistake in mistakes if not mistake.earned]
    least = min(doubts, key=lambda mistake: mistake.chance)
    return [least.doubt] if least.doubt else []


def disagreements(
    best: Reading, usable: Sequence[Reading], proposal: str, row: Bird | None, doubted: bool
) -> list[Coded]:
    """Return where photos, relatives and the list contradict each other.

    The list's comb is held against the proposal only where nothing else is doubtful.
    """
    reasons: list[Coded] = []
    if best.proposal and not alike(best.best, proposal):
        reasons.append(Message("photo_and_relatives", seen=best.best, due=proposal))
    if row and row.comb and not alike(row.comb, proposal) and not (doubted or reasons):
        reasons.append(Message("written_and_read", seen=row.comb, due=proposal))
    read = {r.best for r in usable if r.proposal}
    if any(not alike(one, other) for one in read for other in read):
        said = (Message("says_comb", comb=comb) for comb in sorted(read, key=SPOKEN.__getitem__))
        reasons.append(Message("photos_disagree", readings=tuple(said)))
    return reasons


def alternatives(proposal: str, chances: Sequence[float]) -> Message:
    """Return which other combs it could well be, by chances (6,)."""
    by_comb = dict(zip(COMBS, chances, strict=True))
    pea = sum(by_comb.pop(c) for c in PEAS)
    ranked = sorted([*((p, c) for c, p in by_comb.items()), (pea, "pea")], reverse=True)
    others = [(p, c) for p, c in ranked if not alike(c, proposal)][:2]
    names = tuple(Message("comb_with_chance", comb=c, chance=p) for p, c in others if p >= 0.02)
    if not names:
        return Message("could_be_another")
    return Message("could_also_be", alternatives_or=names)
