"""Values of columns as JSON holds them, and back."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Date, Table

from service.records.tables import Utc


def plain(value: Any) -> Any:
    """Return a column's value as JSON holds it."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return value.isoformat() if isinstance(value, date) else value


def lively(table: Table, row: dict[str, Any]) -> dict[str, Any]:
    """JSON values of a row as the columns want them."""
    found = {}
    for name, value in row.items():
        kind = table.c[name].type
        if isinstance(value, str) and isinstance(kind, Utc):
            value = datetime.fromisoformat(value)
        elif isinstance(value, str) and isinstance(kind, Date):
            value = date.fromisoformat(value)
        found[name] = value
    return found
