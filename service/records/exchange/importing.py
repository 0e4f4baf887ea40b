"""A file from elsewhere as rows of text, or as records of our own."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from genetics.messages import Place
from service.errors import FlockError, StoreError, TooLarge
from service.flock.csv_cells import fused
from service.flock.flock_csv import as_text
from service.records.backup import check_photos, join_folder, load, parse_records
from service.records.database import Store
from service.records.exchange.sheets import SUFFIXES, read_sheet
from service.wording.sentences import Message

MOST_LIST, MOST_ROWS = 10_000_000, 200_000  # bytes and birds of one list, at every door


def rows_from(path: Path) -> list[list[str]]:
    """Rows of a CSV file or spreadsheet as text. Raises FlockError."""
    try:
        check_size(path.stat().st_size, str(path))
        data = path.read_bytes()
    except OSError as error:
        raise FlockError(
            "file_unreadable", place=Place(str(path)), reason=error.strerror or str(error)
        ) from None
    if path.suffix.lower() in SUFFIXES:
        return read_sheet(data, str(path))
    text = as_text(data, str(path))
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=mark(text), strict=True))
    except csv.Error as error:
        raise FlockError("not_csv", place=Place(str(path)), reason=str(error)) from None
    return [[fused(c.strip()) for c in row] for row in rows if any(cell.strip() for cell in row)]


def check_size(size: int, name: str) -> None:
    """Refuse a list over the limit, rather than cut it short. Raises TooLarge."""
    if size > MOST_LIST:
        raise TooLarge("list_over_limit", place=Place(name), most=MOST_LIST)


def mark(text: str) -> str:
    """Return what parts the columns: a comma, or a semicolon or tab where the first line has more.

    >>> mark('bird;sire;dam'), mark('bird,photo')
    (';', ',')
    """
    first = text.splitlines()[0] if text.splitlines() else ""
    return max(",;\t", key=first.count)


def records_from(store: Store, path: Path, replace: bool, by: str) -> int:
    """Bring exported JSON back, all or nothing; photos must be there. Returns how many rows."""
    try:
        content = parse_records(path.read_text(encoding="utf-8"), str(path))
    except OSError as error:
        raise StoreError(
            "file_unreadable", place=Place(str(path)), reason=error.strerror or str(error)
        ) from None
    except UnicodeDecodeError:
        raise StoreError("not_utf8", place=Place(str(path))) from None
    with store.writing(by, Message("act_records", name=path.name)) as session:
        count = load(session, content, str(path), replace)
        join_folder(session, store.photos, content)
        check_photos(session, store.photos, str(path))
        return count
