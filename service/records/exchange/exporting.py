"""Records as a file of any of our formats."""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import UsageMistake
from service.records.backup import dump_records
from service.records.birds import as_listed
from service.records.database import Store
from service.records.exchange.flocklist import csv_file, table
from service.records.exchange.sheets import write_ods, write_xlsx
from service.records.tables import BirdRow

FORMS = ("csv", "xlsx", "ods", "json")


def listed_rows(session: Session) -> list[list[str]]:
    """Return the flock list as it could be brought in again."""
    birds = session.scalars(select(BirdRow).order_by(BirdRow.id)).all()
    return table([as_listed(bird) for bird in birds])


def export_as(
    store: Store, form: str, rows_of: Callable[[Session], list[list[str]]] = listed_rows
) -> bytes:
    """Return what the records are at the moment, as `written_as` writes it. Raises StoreError."""
    with store.reading() as session:
        return written_as(session, form, rows_of)


def written_as(
    session: Session, form: str, rows_of: Callable[[Session], list[list[str]]] = listed_rows
) -> bytes:
    """Return the flock as csv, xlsx or ods, or all records as json.

    `rows_of` makes the sheet's rows, header first. Raises UsageMistake for another form.
    """
    if form not in FORMS:
        raise UsageMistake("unknown_form", form=form, known=tuple(FORMS))
    if form == "json":
        return dump_records(session).encode()
    rows = rows_of(session)
    if form == "csv":
        return csv_file(rows).encode()
    return write_xlsx(rows) if form == "xlsx" else write_ods(rows)
