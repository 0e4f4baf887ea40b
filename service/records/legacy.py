"""Sentences that versions before 0005 kept as English text, as codes with values.

Used by the migration and for backups of that time. What isn't recognised is kept as it was said.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

Read = Callable[[dict[str, str]], dict[str, Any]]
COMBS = {
    "single": "single",
    "crest-folded single": "crest_folded_single",
    "rose": "rose",
    "single-blade pea": "single_blade_pea",
    "triple pea": "triple_pea",
    "walnut": "walnut",
}


def percent(text: str) -> float:
    """'12%' as 0.12."""
    return int(text.rstrip("%")) / 100


def as_they_are(found: dict[str, str]) -> dict[str, Any]:
    """Values that need no reading."""
    return dict(found)


def chance_of(found: dict[str, str]) -> dict[str, Any]:
    """Return a chance in percent."""
    return {"chance": percent(found["chance"])}


def combs_of(found: dict[str, str]) -> dict[str, Any]:
    """Combs parted by 'or'."""
    return {"combs": [COMBS.get(word, word) for word in found["combs"].split(" or ")]}


DOUBTS: tuple[tuple[str, str, Read], ...] = (
    (
        r"too small: the head is (?P<pixels>\d+) pixels across, (?P<least>\d+) are needed; .*",
        "too_small",
        lambda found: {name: int(value) for name, value in found.items()},
    ),
    (r"blurred: .*", "blurred", as_they_are),
    (r"too dark: .*", "too_dark", as_they_are),
    (r"overexposed: .*", "overexposed", as_they_are),
    (r"no head found: .*", "no_head", as_they_are),
    (r"the comb can't be made out: .*", "comb_hidden", as_they_are),
    (r"the head was found with little certainty: .*", "head_uncertain", as_they_are),
    (r"perhaps none of the six combs \((?P<chance>\d+%)\): .*", "none_of_six", chance_of),
    (r"a crest is present .* folds \((?P<chance>\d+%)\); .*", "crest_may_fold", chance_of),
    (r"a crest is present .* folds \(a chance below .*", "crest_hardly_folds", as_they_are),
    (r"reads as a single comb in a fold, .*", "folded_without_crest", as_they_are),
    (r"could also be (?P<combs>.+): a wrong reading would .*", "costly_alternatives", combs_of),
    (r"it looks young: .*", "looks_young", as_they_are),
    (r"more than one picture in this file: .*", "several_pictures", as_they_are),
    (r"beard present", "beard_present", as_they_are),
    (r"a beard can't be ruled out", "beard_possible", as_they_are),
    (r"the head can't be read", "head_unreadable", as_they_are),
    (r"size unclear", "size_unclear", as_they_are),
    (r"no wattles seen", "no_wattles_seen", as_they_are),
)
ACTS: tuple[tuple[str, str, Read], ...] = (
    (r"flock list (?P<name>.+)", "act_import", as_they_are),
    (r"records (?P<name>.+)", "act_records", as_they_are),
    (r"restore", "act_restore", as_they_are),
    (r"photos from (?P<source>.+)", "act_photos_from", as_they_are),
    (r"photos read", "act_photos_read", as_they_are),
    (r"photos sorted", "act_photos_sorted", as_they_are),
    (r"candidates worked (?:out|in)", "act_candidates", as_they_are),
    (r"photo of bird unknown", "act_unassign", as_they_are),
    (r"photo of bird (?P<band>.+)", "act_assign", as_they_are),
    (r"photo (?P<name>.+)", "act_photo", as_they_are),
    (r"comb read: not (?:told|to be told)", "act_comb", lambda _: {"comb": ""}),
    (r"comb read: (?P<comb>\w+)", "act_comb", as_they_are),
    (
        r"(?P<number>\d+) readings confirmed",
        "act_combs_confirmed",
        lambda found: {"number": int(found["number"])},
    ),
    (r"seen on bird (?P<band>.+)", "act_sighting", as_they_are),
    (r"decision on bird (?P<band>.+): (?P<choice>[^:]+)", "act_decision", as_they_are),
    (r"hatch (?P<name>.+)", "act_hatch", as_they_are),
    (r"undone: (?P<act>.+)", "act_undo", as_they_are),
)


def coded(text: str, known: tuple[tuple[str, str, Read], ...], other: str) -> dict[str, Any]:
    """Return a sentence as a code with its values; `other` is the code for what isn't recognised.

    >>> coded("blurred: hold the bird still", DOUBTS, "plain")
    {'code': 'blurred', 'parameters': {}}
    """
    for pattern, code, read in known:
        match = re.fullmatch(pattern, text, re.DOTALL)
        if match:
            return {"code": code, "parameters": read(match.groupdict())}
    return {"code": other, "parameters": {"text": text}}


def doubt(text: Any) -> Any:
    """Return a doubt as it is kept now."""
    return coded(text, DOUBTS, "plain") if isinstance(text, str) else text


def act(text: str) -> dict[str, Any]:
    """Return what an act was, as it is kept now."""
    return coded(text, ACTS, "act_words")


def reading_content(content: dict[str, Any]) -> dict[str, Any]:
    """Return the content of a reading as it is kept now; a person's has no doubts."""
    found = dict(content)
    for name in ("complaints", "remarks", "doubts"):
        if name in found:
            found[name] = [doubt(text) for text in found[name]]
    if found.get("wattles") and found["wattles"][1]:
        found["wattles"] = [found["wattles"][0], doubt(found["wattles"][1])]
    return found


def reading_row(row: dict[str, Any] | None) -> dict[str, Any] | None:
    """Return a row of readings on the trail as it is kept now."""
    if row is None or not row.get("content"):
        return row
    return {**row, "content": reading_content(row["content"])}


def change_row(row: dict[str, Any]) -> dict[str, Any]:
    """Return a line of the trail, its act as text, as it is kept now."""
    found = {name: value for name, value in row.items() if name != "act"}
    found["said"] = act(row["act"])
    if row["kind"] == "readings":
        found["before"], found["after"] = reading_row(row["before"]), reading_row(row["after"])
    return found
