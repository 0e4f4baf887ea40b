"""From a stranger's columns to ours: which column means what, and what its words mean."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from genetics.messages import Place
from service.errors import FlockError
from service.flock.flock_csv import COLUMNS, OR, Bird, Listed, Told, at_once, listed_of
from service.records.exchange.dates import DAY_FIRST, day_from, order_of
from service.records.exchange.sheet import Sheet
from service.records.exchange.words import headings as known_headings
from service.records.exchange.words import in_our_words, is_dash, is_unknown, plain_word

# Columns of a sheet that we wrote: worked out, so that they are no facts of a list.
FOUND = (
    "found: comb",
    "found: by",
    "found: chance of the comb",
    "found: pile",
    "found: genotype",
    "found: chance of the genotype",
    "found: decision",
    "found: decided on",
    "found: why",
)
PEN = "pen"
YES_NO = ("crest", "beard")
LIVES, EGGS = "lives", "eggs"


@dataclass(frozen=True)
class Choices:
    """How a list is to be taken: what its keeper may say of it."""

    columns: Mapping[str, str] = field(default_factory=dict)
    """By heading, the column of ours that it is; others stay the keeper's own."""
    dates: str = ""
    """Whether days come with the `day` or the `month` first; empty: as the list itself tells."""
    pens: str = ""
    """What the column of pens says: where each bird `lives`, or where its `eggs` came from."""
    hatches: bool = False
    """Whether the birds of one day are a hatch."""
    parents: bool = False
    """Whether birds that are only named as parents are taken in as well."""


def guess_columns(headings: Sequence[str]) -> dict[str, str]:
    """Return what the headings most likely mean; each of our columns once.

    >>> guess_columns(['Ring No.', 'Vater', 'Colour'])
    {'Ring No.': 'bird', 'Vater': 'sire'}
    """
    found: dict[str, str] = {}
    plain = {heading: plain_word(heading) for heading in headings}
    for column, words in known_headings().items():
        exact = [h for h in headings if h.strip() == column]
        alike = [h for word in words for h in headings if plain[h] == word]
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
        if column and column not in known_headings():
            raise FlockError("no_such_column", column=column, known=tuple(known_headings()))
        for other in [h for h, c in found.items() if c == column and h != heading]:
            del found[other]
        found.pop(heading, None)
        if column:
            found[heading] = column
    return found


@dataclass(frozen=True)
class Manner:
    """How a column's cells are written, as the column as a whole tells."""

    order: str = DAY_FIRST
    """Of days."""
    plus: bool = False
    """Whether a plus stands for yes, so that a minus stands for no."""


def translate_cell(column: str, value: str, manner: Manner = Manner()) -> str:
    """Return a cell in our words, where that is beyond doubt.

    Else as it is, for the list to refuse.

    >>> translate_cell('sex', 'Pullet'), translate_cell('hatched', '3.5.2026')
    ('hen', '2026-05-03')
    >>> translate_cell('crest', '?'), translate_cell('sire', '12/14')
    ('', '12/14')
    """
    word = value.strip()
    if column in YES_NO and word == "-" and manner.plus:
        return "no"
    if column in ("bird", "notes", "photo", "comb_by") or not word:
        return word
    if is_unknown(word) or (is_dash(word) and in_our_words(column, word) == word):
        return ""
    if column == "hatched":
        day = day_from(word, manner.order)
        return day.isoformat() if day else word
    if column in ("sire", "dam"):
        return OR.join(part.strip() for part in word.split(" oder ")) if " oder " in word else word
    if column == "comb":
        said = in_our_words(column, word)
        return said if said != word else plain_word(word).replace(" ", "_")
    return in_our_words(column, word)


def manner_of(cells: Sequence[str], column: str, dates: str) -> Manner:
    """Return how a column is written; `dates` is what the keeper says of the order of days."""
    order = dates or (order_of(cells) if column == "hatched" else "") or DAY_FIRST
    return Manner(order, any(cell.strip() == "+" for cell in cells))


def dates_are_open(sheet: Sheet, choices: Choices) -> bool:
    """Whether the list's days could be read with the day or with the month first."""
    heading = next((h for h, c in choices.columns.items() if c == "hatched"), None)
    if heading is None or choices.dates or heading not in sheet.headings:
        return False
    return order_of(sheet.column(heading)) == ""


def map_sheet(sheet: Sheet, choices: Choices, told: Told = at_once) -> Listed:
    """Return the birds of any table. Raises FlockError, with the file's own line and heading.

    With `told`, mistakes within rows are told one by one and their cells left out.
    """
    name = sheet.name
    if not sheet.rows:
        raise FlockError("list_empty", place=Place(name))
    headings, line = sheet.headings, sheet.lines[sheet.head]
    if "bird" not in choices.columns.values():
        raise FlockError("no_band_column", place=Place(name))
    width = max(len(headings), *(len(row) for _, row in sheet.body), 1)
    every = [*headings, *[""] * (width - len(headings))]
    unnamed = [i for i, heading in enumerate(every) if not heading]
    for i in unnamed:
        if any(i < len(row) and row[i] for _, row in sheet.body):
            raise FlockError("column_without_heading", place=Place(name, line), number=i + 1)
    keep = [i for i in range(width) if i not in unnamed and every[i] not in FOUND]
    names = [choices.columns.get(every[i], every[i]) for i in keep]
    clash = [n for n, number in Counter(names).items() if number > 1]
    if clash:
        raise FlockError("columns_clash", place=Place(name, line), column=clash[0])
    manners = [
        manner_of([row[i] for _, row in sheet.body if i < len(row)], n, choices.dates)
        for i, n in zip(keep, names, strict=True)
    ]
    table = [(line, names)]
    for at, row in sheet.body:
        cells = [row[i] if i < len(row) else "" for i in keep]
        table.append(
            (
                at,
                [
                    translate_cell(n, c, m) if n in COLUMNS else c
                    for n, c, m in zip(names, cells, manners, strict=True)
                ],
            )
        )
    theirs = {ours: heading for heading, ours in choices.columns.items()}
    return listed_of(table, name, told=lambda error: told(under_heading(error, theirs)))


def under_heading(error: FlockError, theirs: Mapping[str, str]) -> FlockError:
    """Return a mistake with the column called as the list calls it."""
    if error.place and error.place.column in theirs:
        error.place = replace(error.place, column=theirs[error.place.column])
    return error


def parents_without_row(birds: Sequence[Bird], known: Sequence[Bird]) -> dict[str, str]:
    """Return bands that are only named as parents, with the sex that follows from that.

    A band named as both is left out: what is wrong there has to be told.
    """
    rows = {bird.bird for bird in (*birds, *known)}
    found: dict[str, set[str]] = {}
    for bird in birds:
        for parents, sex in ((bird.sire, "cock"), (bird.dam, "hen")):
            for band in [parents] if parents in rows else parents.split(OR):
                if band.strip() and band.strip() not in rows:
                    found.setdefault(band.strip(), set()).add(sex)
    return {band: sexes.pop() for band, sexes in found.items() if len(sexes) == 1}
