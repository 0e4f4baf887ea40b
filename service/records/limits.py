"""What a record may hold: text of a stated length, without signs that no file or page can carry."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import date
from typing import Any

from sqlalchemy import JSON, String, event, inspect
from sqlalchemy.orm import Session, sessionmaker

from service.errors import Refusal
from service.flock.flock_csv import FIRST_YEAR, LAST_YEAR
from service.records.tables import Base

MOST_TEXT = 4_000
"""Signs of a text whose column names no length, as notes and reasons."""
MOST_OWN = 20_000
"""Signs of all columns of a breeder's own together, of one bird."""
FREE = ("content", "said", "before", "after")  # written by the program itself
# Control characters but tab and line ends, and halves of surrogate pairs: neither XML (and so no
# spreadsheet) nor UTF-8 can hold them.
UNUSABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
MOST_INTEGER = 2**31 - 1  # of an integer column of PostgreSQL


def check_text(column: str, value: str, most: int) -> None:
    """Refuse a text that is too long or holds what can't be kept. Raises Refusal."""
    if len(value) > most:
        raise Refusal("text_too_long", column=column, length=len(value), most=most)
    if UNUSABLE.search(value):
        raise Refusal("text_control", column=column)


def texts_of(item: Base) -> Iterator[tuple[str, str, int]]:
    """Column, text and length allowed, for every text that a row holds."""
    for column in inspect(item).mapper.column_attrs:
        kind, value = column.columns[0].type, getattr(item, column.key)
        if isinstance(value, str) and isinstance(kind, String):
            yield column.key, value, kind.length or MOST_TEXT
        elif isinstance(kind, JSON) and value and column.key not in FREE:
            yield column.key, json.dumps(value, ensure_ascii=False), MOST_OWN
            for part in [*value, *value.values()]:
                if isinstance(part, str):
                    yield column.key, part, MOST_TEXT


def check_row(item: Base) -> None:
    """Refuse a row that holds what can't be kept. Raises Refusal."""
    for name, text, most in texts_of(item):
        check_text(name, text, most)
    for column in inspect(item).mapper.column_attrs:
        value: Any = getattr(item, column.key)
        if isinstance(value, int) and abs(value) > MOST_INTEGER:
            raise Refusal("number_too_large", column=column.key, most=MOST_INTEGER)
        if isinstance(value, date) and not FIRST_YEAR <= value.year <= LAST_YEAR:
            raise Refusal("date_too_far", value=value.isoformat())


def watch_limits(sessions: sessionmaker[Session]) -> None:
    """Let every flush of these sessions refuse what can't be kept, whatever door it came by."""

    @event.listens_for(sessions, "before_flush")
    def check(session: Session, *_: Any) -> None:
        for item in (*session.new, *session.dirty):
            if isinstance(item, Base):
                check_row(item)
