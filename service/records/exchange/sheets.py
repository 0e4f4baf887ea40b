"""Spreadsheets as rows of text: read by calamine, written by openpyxl and odfdo."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from genetics.messages import Place
from service.errors import FlockError
from service.flock.flock_csv import MOST_COLUMNS
from service.records.limits import UNUSABLE

SUFFIXES = (".xlsx", ".ods")
MOST_ROWS, MOST_UNPACKED = 200_000, 200_000_000


def read_sheet(data: bytes, name: str) -> list[list[str]]:
    """Return first sheet's rows as text, the empty ones at the end left out. Raises FlockError.

    Of formulas the values that were last worked out.
    """
    from python_calamine import CalamineWorkbook

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(i.file_size for i in archive.infolist()) > MOST_UNPACKED:
                raise FlockError("list_too_large", place=Place(str(name)))
            if archive.testzip() is not None:
                raise FlockError("not_a_spreadsheet", place=Place(str(name)), reason="CRC-32")
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheet = book.get_sheet_by_index(0)
        if sheet.total_height > MOST_ROWS or sheet.total_width > MOST_COLUMNS:
            raise FlockError("list_too_large", place=Place(str(name)))
        found = sheet.to_python(skip_empty_area=False)
    except FlockError:
        raise
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # its parser raises what it meets, and panics aren't Exceptions
        reason = " ".join(str(error).split())[:160]
        raise FlockError("not_a_spreadsheet", place=Place(str(name)), reason=reason) from None
    rows = [[as_text(cell) for cell in row] for row in found]
    while rows and not any(rows[-1]):
        rows.pop()
    width = max((i + 1 for row in rows for i, cell in enumerate(row) if cell), default=0)
    return [row[:width] + [""] * (width - len(row)) for row in rows]


def as_text(value: Any) -> str:
    """Return a cell as the flock list writes it.

    Whole numbers without a point, dates as YYYY-MM-DD.

    >>> as_text(17.0), as_text(datetime(2026, 5, 3)), as_text(None), as_text(True)
    ('17', '2026-05-03', '', 'yes')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, datetime):
        return value.date().isoformat()
    return value.isoformat() if isinstance(value, date) else str(value).strip()


def legible(text: str) -> str:
    """Return text without what XML can't hold, as records of earlier versions may have it."""
    return UNUSABLE.sub("", text)


def write_xlsx(rows: Sequence[Sequence[str]]) -> bytes:
    """Rows as a workbook; every cell is text, so that bands such as 007 stay what they are."""
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "flock"
    for r, row in enumerate(rows, start=1):
        for c, value in enumerate(row, start=1):
            cell = sheet.cell(r, c)
            cell.value, cell.data_type, cell.number_format = legible(value), "s", "@"
    sheet.freeze_panes = "B2"
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def write_ods(rows: Sequence[Sequence[str]]) -> bytes:
    """Rows as an OpenDocument spreadsheet; every cell is text."""
    from odfdo import Cell, Document, Paragraph, Row, Table

    document = Document("spreadsheet")
    document.body.clear()
    sheet = Table("flock")
    for values in rows:
        line = Row()
        for value in values:
            cell = Cell()
            cell.set_attribute("office:value-type", "string")
            for part in legible(value).split("\n"):
                cell.append(Paragraph(part))
            line.append_cell(cell)
        sheet.append_row(line)
    document.body.append(sheet)
    buffer = io.BytesIO()
    document.save(buffer)
    return buffer.getvalue()
