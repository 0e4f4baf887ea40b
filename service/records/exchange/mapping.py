"""From a stranger's columns to ours: which column means what, and what its words mean."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime

from genetics.messages import Place
from service.errors import FlockError
from service.flock.flock_csv import COLUMNS, Listed, listed_of

# Words that breeders head their lists with, lower case without marks (common practice, no source).
HEADINGS = {
    "bird": ("bird", "band", "leg band", "ring", "ring no", "band no", "tag", "id", "number", "no"),
    "sire": ("sire", "father", "cock", "rooster"),
    "dam": ("dam", "mother", "hen"),
    "sex": ("sex", "gender", "m f"),
    "hatched": ("hatched", "hatch date", "hatch day", "date hatched", "born", "date of birth"),
    "comb": ("comb", "comb type"),
    "comb_by": ("comb by", "read by", "judged by"),
    "crest": ("crest", "crested", "tuft"),
    "beard": ("beard", "bearded", "muff", "muffs"),
    "wattles": ("wattles", "wattle", "wattle size"),
    "genotype": ("genotype", "genes", "genetics"),
    "photo": ("photo", "photos", "picture", "pictures", "image", "file"),
    "notes": ("notes", "note", "remarks", "comments", "remark"),
    "variety": ("variety", "breed", "strain", "line"),
    "status": ("status", "state"),
}
WORDS: dict[str, dict[str, tuple[str, ...]]] = {
    "sex": {
        "cock": ("cock", "cockerel", "rooster", "male", "m", "c"),
        "hen": ("hen", "pullet", "female", "f", "h", "p"),
    },
    "crest": {"yes": ("yes", "y", "x", "1", "true"), "no": ("no", "n", "0", "false", "none")},
    "beard": {"yes": ("yes", "y", "x", "1", "true"), "no": ("no", "n", "0", "false", "none")},
    "wattles": {"small": ("small", "s"), "medium": ("medium", "m"), "large": ("large", "l", "big")},
}
DATES = ("%Y-%m-%d", "%Y/%m/%d", "%d.%m.%Y", "%d %B %Y", "%d %b %Y", "%B %d, %Y")
UNKNOWN = ("", "?", "-", "unknown", "n/a", "none")


def plain_word(text: str) -> str:
    """Lower case, marks as single blanks.

    >>> plain_word('Ring-No.')
    'ring no'
    """
    return " ".join(re.findall(r"[^\W_]+", text.lower()))


def guess_columns(headings: Sequence[str]) -> dict[str, str]:
    """Return what the headings most likely mean; each of our columns once.

    >>> guess_columns(['Ring No.', 'Father', 'Colour'])
    {'Ring No.': 'bird', 'Father': 'sire'}
    """
    found: dict[str, str] = {}
    for column, words in HEADINGS.items():
        exact = [h for h in headings if h.strip() == column]
        alike = [h for word in words for h in headings if plain_word(h) == word]
        for heading in [*exact, *alike]:
            if heading not in found:
                found[heading] = column
                break
    return found


def choose_columns(pairs: Sequence[str], headings: Sequence[str]) -> dict[str, str]:
    """Return the user's own 'Heading=column' over what was guessed; 'Heading=' keeps it as it is.

    Raises FlockError for a heading or column that doesn't exist, or a column given twice.
    """
    found = guess_columns(headings)
    for pair in pairs:
        heading, _, column = (part.strip() for part in pair.rpartition("="))
        if heading not in headings:
            raise FlockError("no_such_heading", heading=heading, known=tuple(headings))
        if column and column not in HEADINGS:
            raise FlockError("no_such_column", column=column, known=tuple(HEADINGS))
        for other in [h for h, c in found.items() if c == column and h != heading]:
            del found[other]
        found.pop(heading, None)
        if column:
            found[heading] = column
    return found


def translate_cell(column: str, value: str) -> str:
    """Return a cell in our words, where that is beyond doubt.

    Else as it is, for the list to refuse.

    >>> translate_cell('sex', 'Pullet'), translate_cell('hatched', '3.5.2026')
    ('hen', '2026-05-03')
    >>> translate_cell('crest', '?')
    ''
    """
    word = value.strip()
    if column in WORDS:
        low = word.lower()
        if low in UNKNOWN and low != "none":
            return ""
        return next((ours for ours, theirs in WORDS[column].items() if low in theirs), word)
    if column == "hatched" and word:
        if word in UNKNOWN:
            return ""
        for pattern in DATES:
            try:
                return datetime.strptime(word, pattern).date().isoformat()
            except ValueError:
                continue
    if column == "comb" and word:
        low = plain_word(word).replace(" ", "_")
        return "" if word in UNKNOWN else low
    if column in ("sire", "dam") and word in UNKNOWN:
        return ""
    return word


def map_table(rows: Sequence[Sequence[str]], columns: Mapping[str, str], name: str) -> Listed:
    """Return the birds of any table by its mapping. Raises FlockError, with the file's own line."""
    if not rows:
        raise FlockError("list_empty", place=Place(str(name)))
    headings = list(rows[0])
    if "bird" not in columns.values():
        raise FlockError("no_band_column", place=Place(str(name)))
    unnamed = [i for i, heading in enumerate(headings) if not heading.strip()]
    for i in unnamed:
        if any(i < len(row) and row[i] for row in rows[1:]):
            raise FlockError("column_without_heading", place=Place(str(name), 1), number=i + 1)
    keep = [i for i in range(len(headings)) if i not in unnamed]
    names = [columns.get(headings[i], headings[i]) for i in keep]
    clash = [n for n, number in Counter(names).items() if number > 1]
    if clash:
        raise FlockError("columns_clash", place=Place(str(name), 1), column=clash[0])
    table = [names]
    for row in rows[1:]:
        cells = [row[i] if i < len(row) else "" for i in keep]
        table.append(
            [translate_cell(n, c) if n in COLUMNS else c for n, c in zip(names, cells, strict=True)]
        )
    return listed_of([(line, row) for line, row in enumerate(table, start=1)], name)
