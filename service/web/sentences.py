"""Sentences that genetics and the reader have written in English, in the visitor's language.

They are kept with readings and answers as text; here each is recognised by its pattern, and what
it names (combs, numbers, bands) is put into the translation. What isn't recognised stays English.
"""

from __future__ import annotations

import re
from functools import cache

from service.web.language import current, translated


def marked(message: str) -> str:
    """Mark a message for the catalogue."""
    return message


PATTERNS = (
    # What the reader doubts (classifier/quality.py, classifier/reading.py, service/flock/batch.py).
    marked("too small: the head is {pixels} pixels across, {least} are needed; go closer"),
    marked("blurred: hold the bird still, wait for the focus and take another"),
    marked("too dark: turn the head towards the light and take another"),
    marked("overexposed: turn away from the glare and take another"),
    marked("no head found: is a chicken's head in this photo, in focus and large enough?"),
    marked("the head was found with little certainty: check the box"),
    marked("the comb can't be made out: turned away or covered? take another"),
    marked(
        "perhaps none of the six combs ({chance}): V, cup, trimmed, combless, or no head at all"
    ),
    marked(
        "a crest is present and the comb is unclear, so this may be a single comb that the crest "
        "folds ({chance}); part the feathers and photograph it from above"
    ),
    marked("a chance below 1 in 100, but not to be ruled out"),
    marked("reads as a single comb in a fold, yet no crest is seen"),
    marked("could also be {combs}: a wrong reading would cost more than a second look"),
    marked("could also be {combs}"),
    marked("its photos disagree: {combs}"),
    marked("the photo says {seen}, its relatives {due}: look again"),
    marked("it looks young: its comb may not show yet what it will be"),
    marked("more than one picture in this file: the first one was read"),
    marked("another comb"),
    marked("beard present"),
    # What would settle a bird (service/flock/next_steps.py).
    marked("photograph the head from the side, with the whole comb in view"),
    marked("another photo: {why}"),
    marked("part the crest and photograph the comb from above"),
    marked("let a second person read the photo who hasn't seen this page"),
    marked("note whether it has a beard: without one its wattles tell of pea"),
    marked("note its wattles, beside birds of the same sex and age"),
    marked("wait {weeks} weeks and photograph it again: the comb is still growing"),
    marked("test mating to {mates}: {chicks} chicks tell whether it hides {hidden} ({eggs} eggs)"),
    marked("a single-combed bird"),
    # Ways over generations (genetics/strategy.toml).
    marked("F1, intercross, test the walnut chicks"),
    marked("F1, back to the foundation cock, test the chicks"),
    marked("F1, back to the single-combed variety, intercross of its walnut chicks, test theirs"),
    # Conflicts (service/flock/conflicts.py).
    marked(
        "{source} says {comb}, which its relatives make all but impossible ({odds} before the "
        "reading). Likelier: {culprits}"
    ),
    # The ledger (candidates and evidence in service/flock, raters in service/answers).
    marked("from {sire} x {dam}"),
    marked("what its chicks show"),
    marked("relatives"),
    marked("genotype on record"),
    marked("chicks counted"),
    marked("photo {name} read by {who} (blind)"),
    marked("photo {name} read by {who} (not blind)"),
    marked("photo {name}"),
    marked("read by {who}"),
    marked("{comb} (one of {photos} photos, pooled: together {ratio})"),
    marked("wattles {size}, which say nothing: {why}"),
    marked("wattles {size}"),
    marked("nobody noted whether a beard is there"),
    marked("sex unknown"),
    marked("age unknown"),
    marked("younger than {weeks} weeks"),
    # What changed (service/answers/refresh.py).
    marked("{genotype} from {before} to {now}"),
    marked("new: {piece}, {says}"),
    marked("gone: {piece}, {says}"),
    marked("conflict resolved"),
    marked("conflict: {conflict}"),
    # The second opinion (service/views/second_opinion.py, service/flock/rule_of_two.py).
    marked("whether it hides {allele} ({chance})"),
    marked("its sex"),
    marked("its age"),
    marked("whether it has a beard"),
    marked("whether it has a crest"),
    marked("both its parents"),
    marked("what a person sees who hasn't seen the model's reading"),
    marked("a test mating with {chicks} chicks"),
    marked("a second independent reading ({so_far}): someone who reads it blind"),
    marked("so far none"),
    marked("so far {who}"),
    marked("independent readings disagree: {said}; a third one, or a test mating"),
    marked("an explanation of why it doesn't fit its relatives"),
    marked("younger than six weeks: many combs can't be told yet"),
    marked("not grown yet: the comb may still change"),
    marked("crested: a crest folds single combs so that they pass for walnut"),
    marked("bearded: its wattles say nothing of pea"),
    marked("perhaps trimmed, frost-bitten or swollen: then the comb says nothing"),
    marked("perhaps R/R ({chance}): such cocks may be less fertile (Froman et al. 1992)"),
    marked("A reading is evidence, not a verdict: the decision is the keeper's."),
    marked("Keeping as layer, pet or broody, and rehoming, are choices as good as any."),
    marked("Local law applies to whatever is done with a bird; an ill one is a veterinarian's."),
    # Errors that are met on the pages.
    marked("no bird with the band {band}"),
    marked("no such photo; it may be from another installation"),
    marked("no such pen or hatch"),
    marked("no photo was chosen: tick those that are meant"),
    marked("give the reason: it is what a later look at this will ask for"),
    marked("say on which day to look again"),
    marked("say what was seen: crest, beard or wattles"),
    marked("no label was found: hold it flat and fill half the picture"),
    marked("by its records the bird can't carry the recessive of {locus}"),
    marked("no chick of this mating can tell: choose another mate"),
)
WORDS = (
    marked("single"),
    marked("crest-folded single"),
    marked("rose"),
    marked("single-blade pea"),
    marked("triple pea"),
    marked("pea"),
    marked("walnut"),
    marked("can't tell"),
    marked("a person"),
    marked("the model"),
    marked("wattles"),
    marked("small"),
    marked("medium"),
    marked("large"),
    marked("cock"),
    marked("hen"),
    marked("unknown"),
    marked("keep"),
    marked("test"),
    marked("recheck"),
    marked("layer or pet home"),
    marked("other"),
)


@cache
def shapes() -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Each pattern with the expression that recognises it."""
    found = []
    for pattern in PATTERNS:
        parts = re.split(r"\{(\w+)\}", pattern)
        text = "".join(
            f"(?P<{part}>.+?)" if i % 2 else re.escape(part) for i, part in enumerate(parts)
        )
        found.append((pattern, re.compile(text + r"\Z", re.DOTALL)))
    return tuple(found)


def listed(text: str) -> str:
    """Words such as combs within a list, each translated."""
    if text in WORDS or text in PATTERNS:
        return translated(text)
    pieces = re.split(r"( or | and |, |: )", text)
    told = []
    for piece in pieces:
        if piece in (" or ", " and "):
            told.append(f" {translated(piece.strip())} ")
            continue
        name, bracket, rest = piece.partition(" (")
        told.append((translated(name) if name in WORDS else name) + bracket + rest)
    return "".join(told)


AND, OR = marked("and"), marked("or")


def in_words(sentence: str) -> str:
    """A sentence in the language of this request, as far as it is known.

    >>> in_words("what its chicks show")
    'what its chicks show'
    """
    if current.get() == "en" or not sentence:
        return sentence
    for pattern, shape in shapes():
        match = shape.match(sentence)
        if match:
            told = translated(pattern)
            return told.format(**{k: in_words(v) for k, v in match.groupdict().items()})
    return listed(sentence)
