"""A file from elsewhere as rows of text, or as records of our own."""

from __future__ import annotations

import codecs
import csv
import io
from pathlib import Path

from genetics.messages import Place
from service.errors import FlockError, StoreError, TooLarge
from service.flock.csv_cells import fused
from service.flock.flock_csv import MOST_COLUMNS, as_text
from service.records.backup import check_photos, join_folder, load, parse_records
from service.records.database import Store
from service.records.exchange.sheet import TITLES, Sheet, sheet_of_rows
from service.records.exchange.sheets import SUFFIXES, read_sheet
from service.records.identity import take_over
from service.wording.sentences import Message

ZIPPED, OLD_OFFICE = b"PK\x03\x04", bytes.fromhex("d0cf11e0a1b11ae1")
CONTROL = bytes(set(range(32)) - {9, 10, 12, 13})  # in no text
MOST_LIST, MOST_ROWS = 10_000_000, 200_000  # bytes and birds of one list, at every door


def sheet_from(path: Path) -> Sheet:
    """Return a CSV file or spreadsheet as a table of text. Raises FlockError."""
    try:
        check_size(path.stat().st_size, str(path))
        data = path.read_bytes()
    except OSError as error:
        raise FlockError(
            "file_unreadable", place=Place(str(path)), reason=error.strerror or str(error)
        ) from None
    return sheet_of(data, str(path))


def sheet_of(data: bytes, name: str) -> Sheet:
    """Return a list's bytes as a table of text, by what they are. Raises FlockError."""
    check_size(len(data), name)
    if data.startswith(ZIPPED) or name.lower().endswith(SUFFIXES):
        return sheet_of_rows(read_sheet(data, name), name)
    if data.startswith(OLD_OFFICE):
        raise FlockError("old_spreadsheet", place=Place(name))
    text, note = decode(data, name)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark(text), strict=True)
    rows, lines = [], []
    try:
        for row in reader:
            rows.append([fused(cell.strip()) for cell in row])
            lines.append(reader.line_num)
            if len(row) > MOST_COLUMNS:
                place = Place(name, lines[-1])
                raise FlockError(
                    "too_many_columns", place=place, number=len(row), most=MOST_COLUMNS
                )
            if len(rows) > MOST_ROWS:
                raise FlockError("too_many_rows", place=Place(name, lines[-1]), most=MOST_ROWS)
    except csv.Error as error:
        raise FlockError("not_csv", place=Place(name, reader.line_num), reason=str(error)) from None
    return sheet_of_rows(rows, name, lines, note)


def decode(data: bytes, name: str) -> tuple[str, Message | None]:
    """Return a CSV file as text, and what to say if it isn't UTF-8. Raises FlockError.

    Spreadsheets on Windows still save CSV as Windows-1252, or as UTF-16 with a mark at the front.
    """
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            return data.decode("utf-16"), None
        except UnicodeDecodeError:
            raise FlockError("not_utf8", place=Place(name)) from None
    try:
        return as_text(data, name), None
    except FlockError:
        if any(byte in data for byte in CONTROL):  # no text at all
            raise
        try:
            return data.decode("cp1252"), Message("read_as_windows")
        except UnicodeDecodeError:
            pass
        raise


def check_size(size: int, name: str) -> None:
    """Refuse a list over the limit, rather than cut it short. Raises TooLarge."""
    if size > MOST_LIST:
        raise TooLarge("list_over_limit", place=Place(name), most=MOST_LIST)


def mark(text: str) -> str:
    """Return what parts the columns: a comma, or a semicolon or tab where some line has more.

    >>> mark('bird;sire;dam'), mark('bird,photo'), mark('Brut 2026\\nRing;Vater')
    (';', ',', ';')
    """
    first = text[:20_000].splitlines()[:TITLES]
    return max(",;\t", key=lambda sign: max((line.count(sign) for line in first), default=0))


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
        joined = join_folder(session, store, content)
        check_photos(session, store, str(path))
    if joined:
        take_over(store)
    return count
