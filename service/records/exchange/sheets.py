"""Spreadsheets as rows of text, both ways: xlsx by openpyxl, ods by odfpy."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from genetics.messages import Place
from service.errors import FlockError

SUFFIXES = (".xlsx", ".ods")
MOST_ROWS, MOST_COLUMNS, MOST_UNPACKED = 200_000, 500, 400_000_000


def read_sheet(data: bytes, name: str) -> list[list[str]]:
    """Return first sheet's rows as text, the empty ones at the end left out. Raises FlockError."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(i.file_size for i in archive.infolist()) > MOST_UNPACKED:
                raise FlockError("list_too_large", place=Place(str(name)))
        rows = read_xlsx(data) if Path(name).suffix.lower() == ".xlsx" else read_ods(data)
    except FlockError:
        raise
    except Exception as error:  # both libraries raise whatever their parsers meet
        raise FlockError("not_a_spreadsheet", place=Place(str(name)), reason=str(error)) from None
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


def read_xlsx(data: bytes) -> list[list[str]]:
    """Rows of an Excel workbook's first sheet; of formulas the values that were last worked out."""
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    sheet = book.worksheets[0]
    found = []
    for row in sheet.iter_rows(max_row=MOST_ROWS, max_col=MOST_COLUMNS, values_only=True):
        found.append([as_text(cell) for cell in row])
    return found


def read_ods(data: bytes) -> list[list[str]]:
    """Rows of an OpenDocument spreadsheet's first sheet."""
    from odf.opendocument import load
    from odf.table import CoveredTableCell, Table, TableCell, TableRow
    from odf.teletype import extractText
    from odf.text import P

    sheet = load(io.BytesIO(data)).spreadsheet.getElementsByType(Table)[0]
    found: list[list[str]] = []
    for row in sheet.getElementsByType(TableRow):
        cells: list[str] = []
        for cell in row.childNodes:
            if cell.qname not in (TableCell().qname, CoveredTableCell().qname):
                continue
            kind = cell.getAttribute("valuetype")
            if kind == "date":
                value = str(cell.getAttribute("datevalue"))[:10]
            elif kind == "boolean":
                value = "yes" if cell.getAttribute("booleanvalue") == "true" else "no"
            elif kind == "float":
                value = as_text(float(cell.getAttribute("value")))
            else:
                lines = [extractText(part) for part in cell.getElementsByType(P)]
                value = "\n".join(lines).strip()
            again = int(cell.getAttribute("numbercolumnsrepeated") or 1)
            cells += [value] * min(again, MOST_COLUMNS - len(cells))
        again = int(row.getAttribute("numberrowsrepeated") or 1)
        if not any(cells):
            again = min(again, 1)
        found += [list(cells) for _ in range(min(again, MOST_ROWS - len(found)))]
    return found


def write_xlsx(rows: Sequence[Sequence[str]]) -> bytes:
    """Rows as a workbook; every cell is text, so that bands such as 007 stay what they are."""
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "flock"
    for r, row in enumerate(rows, start=1):
        for c, value in enumerate(row, start=1):
            cell = sheet.cell(r, c)
            cell.value, cell.data_type, cell.number_format = value, "s", "@"
    sheet.freeze_panes = "B2"
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def write_ods(rows: Sequence[Sequence[str]]) -> bytes:
    """Rows as an OpenDocument spreadsheet; every cell is text."""
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.teletype import addTextToElement
    from odf.text import P

    document = OpenDocumentSpreadsheet()
    sheet = Table(name="flock")
    for row in rows:
        line = TableRow()
        for value in row:
            cell = TableCell(valuetype="string")
            for part in value.split("\n"):
                paragraph = P()
                addTextToElement(paragraph, part)
                cell.addElement(paragraph)
            line.addElement(cell)
        sheet.addElement(line)
    document.spreadsheet.addElement(sheet)
    buffer = io.BytesIO()
    document.save(buffer)
    return buffer.getvalue()
