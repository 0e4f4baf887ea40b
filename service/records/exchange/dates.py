"""Days as people write them: which part is the day is told by the list as a whole."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date
from functools import cache

from service.records.exchange.words import plain_word

DAY_FIRST, MONTH_FIRST = "day", "month"
ORDERS = (DAY_FIRST, MONTH_FIRST)
NUMBERS = re.compile(r"(\d{1,4})\s*[-./ ]\s*(\d{1,2})\s*[-./ ]\s*(\d{1,4})\.?")
CENTURY, TURN = 2000, 70  # '26' is 2026, '71' is 1971


@cache
def month_names() -> dict[str, int]:
    """Return the names of months, whole and short, in the languages that we speak."""
    from babel.dates import get_month_names

    from service.wording.language import LANGUAGES

    found: dict[str, int] = {}
    for language in LANGUAGES:
        for width in ("wide", "abbreviated"):
            for number, name in get_month_names(width, locale=language).items():
                found[plain_word(name)] = number
                found[plain_word(name)[:3]] = number
    return found


def year_of(text: str) -> int:
    """Return a year that may be written with two digits.

    >>> year_of('26'), year_of('1998')
    (2026, 1998)
    """
    year = int(text)
    if len(text) > 2:
        return year
    return year + CENTURY - (100 if year >= TURN else 0)


def parts_of(text: str) -> tuple[int, int, int] | None:
    """Return the three numbers of a day as written, the year last; None if it isn't so written.

    A year that comes first is ISO 8601, whose month comes before the day; it is None here.
    """
    found = NUMBERS.fullmatch(text.strip())
    if found is None or len(found[1]) > 2 or len(found[3]) == 3:
        return None
    return int(found[1]), int(found[2]), year_of(found[3])


def order_of(cells: Iterable[str]) -> str | None:
    """Return whether a column's days come with the day or the month first, '' if both would do.

    None if neither fits all of them. What holds points is day first, as nobody else writes so.

    >>> order_of(['3/4/2026', '14/4/2026']), order_of(['4/14/2026']), order_of(['3/4/26'])
    ('day', 'month', '')
    """
    fits = {DAY_FIRST, MONTH_FIRST}
    for cell in cells:
        parts = parts_of(cell)
        if parts is None:
            continue
        first, second, _ = parts
        if first > 12 or "." in cell:
            fits.discard(MONTH_FIRST)
        if second > 12:
            fits.discard(DAY_FIRST)
    if len(fits) == 2:
        return "" if any(open_order(cell) for cell in cells) else DAY_FIRST
    return fits.pop() if fits else None


def open_order(cell: str) -> bool:
    """Whether a cell would be another day if its month came first."""
    parts = parts_of(cell)
    return parts is not None and parts[0] != parts[1]


def day_from(text: str, order: str) -> date | None:
    """Return a day as people write it; None if it can't be one.

    >>> day_from('14.04.2026', 'day'), day_from('2.5.26', 'day'), day_from('May 2, 2026', 'month')
    (datetime.date(2026, 4, 14), datetime.date(2026, 5, 2), datetime.date(2026, 5, 2))
    >>> day_from('4/14/2026', 'month'), day_from('14. Mai 2026', 'day')
    (datetime.date(2026, 4, 14), datetime.date(2026, 5, 14))
    """
    word = text.strip()
    try:
        iso = re.fullmatch(r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})(?:[T ].*)?", word)
        if iso:
            return date(int(iso[1]), int(iso[2]), int(iso[3]))
        parts = parts_of(word)
        if parts is not None:
            first, second, year = parts
            return date(year, *((second, first) if order == DAY_FIRST else (first, second)))
        return named_month(word)
    except ValueError:
        return None


def named_month(text: str) -> date | None:
    """Return a day whose month is a word: '14 April 2026', 'Apr 14, 2026'. Raises ValueError."""
    pieces = plain_word(text).split()
    if len(pieces) != 3:
        return None
    names = [p for p in pieces if not p.isdecimal()]
    numbers = [p for p in pieces if p.isdecimal()]
    if len(names) != 1 or len(numbers) != 2 or pieces[2] in names:
        return None
    month = month_names().get(names[0]) or month_names().get(names[0][:3])
    return date(year_of(numbers[1]), month, int(numbers[0])) if month else None
