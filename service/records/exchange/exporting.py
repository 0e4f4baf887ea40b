"""Records as a file of any of our formats."""

from __future__ import annotations

from sqlalchemy import select

from service.errors import UsageMistake
from service.records.backup import dump_records
from service.records.birds import as_listed
from service.records.database import Store
from service.records.exchange.flocklist import csv_file, table
from service.records.exchange.sheets import write_ods, write_xlsx
from service.records.tables import BirdRow

FORMS = ("csv", "xlsx", "ods", "json")


def export_as(store: Store, form: str) -> bytes:
    """Return the flock list as csv, xlsx or ods, or all records as json. Raises StoreError."""
    if form not in FORMS:
        raise UsageMistake("unknown_form", form=form, known=tuple(FORMS))
    with store.reading() as session:
        if form == "json":
            return dump_records(session).encode()
        birds = session.scalars(select(BirdRow).order_by(BirdRow.id)).all()
        rows = table([as_listed(bird) for bird in birds])
    if form == "csv":
        return csv_file(rows).encode()
    return write_xlsx(rows) if form == "xlsx" else write_ods(rows)
