"""Records as a file of any of our formats."""

from __future__ import annotations

from sqlalchemy import select

from service.exchange.flocklist import csv_text, table
from service.exchange.sheets import write_ods, write_xlsx
from service.store.archive import dumped
from service.store.database import Store, StoreError
from service.store.models import BirdRow
from service.store.records import as_listed

FORMS = ("csv", "xlsx", "ods", "json")


def written(store: Store, form: str) -> bytes:
    """The flock list as csv, xlsx or ods, or all records as json. Raises StoreError."""
    if form not in FORMS:
        raise StoreError(f"{form!r} can't be written; choose one of {', '.join(FORMS)}")
    with store.reading() as session:
        if form == "json":
            return dumped(session).encode()
        birds = session.scalars(select(BirdRow).order_by(BirdRow.id)).all()
        rows = table([as_listed(bird) for bird in birds])
    if form == "csv":
        return csv_text(rows).encode()
    return write_xlsx(rows) if form == "xlsx" else write_ods(rows)
