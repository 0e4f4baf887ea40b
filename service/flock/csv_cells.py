"""Cells of a CSV file: no spreadsheet may take them for formulas, and all come back unchanged."""

from __future__ import annotations

import re

# What spreadsheets run if a cell of a CSV file begins so (OWASP, "CSV Injection"); marks that were
# put before it, or stood there, count as well.
FORMULA = re.compile("'*[=+\\-@\t\r]")


def defused(cell: str) -> str:
    """Return a cell as it goes into a CSV file: no program takes it for a formula.

    >>> defused("=1+1"), defused("-5"), defused("17")
    ("'=1+1", "'-5", '17')
    """
    return f"'{cell}" if FORMULA.match(cell) else cell


def fused(cell: str) -> str:
    """Return a cell of a CSV file as it was before it was made safe for spreadsheets.

    >>> fused("'=1+1"), fused("'17"), fused("-5")
    ('=1+1', "'17", '-5')
    """
    return cell[1:] if cell.startswith("'") and FORMULA.match(cell) else cell
