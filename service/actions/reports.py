"""Reports: made while one waits, or asked for and made beside the pages, however large the flock.

What was asked for is kept with its file for some days; whoever may look at the records may take it.
"""

from __future__ import annotations

import contextvars
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.actions.desk import Desk
from service.documents.grow_out_pdf import batch_sheet
from service.documents.labels_pdf import band_sheet, pen_sheets
from service.errors import Expected, NotFound, Refusal, status_of
from service.records.database import Store
from service.records.exchange.exporting import written_as
from service.records.tables import HatchRow, ReportRow
from service.views.flock_sheet import flock_sheet
from service.views.grow_out import Report, as_calendar, as_csv, report
from service.wording.language import current, region
from service.wording.sentences import Message, as_data

MOST = 20  # reports that are kept
KEPT = timedelta(days=30)
LARGEST = 500_000_000  # bytes of one report; PostgreSQL keeps no value of 1 GB
PDF = "application/pdf"
CSV = "text/csv; charset=utf-8"
# As `ReportRow.waits`, for the database.
WAITS = (ReportRow.made.is_(None), ReportRow.trouble.is_(None))


@dataclass(frozen=True)
class Sheet:
    """A kind of report: what its file is, and how it is made of a hatch or of the flock."""

    media: str
    of_hatch: Callable[[Store, Report], bytes] | None = None
    of_flock: Callable[[Session], bytes] | None = None


def of_flock_as(form: str) -> Callable[[Session], bytes]:
    """Return what writes the flock out in a form."""
    return lambda session: written_as(session, form, flock_sheet)


SHEETS = {
    "grow-out.pdf": Sheet(PDF, of_hatch=lambda store, told: batch_sheet(told, store.photo)),
    "grow-out.csv": Sheet(CSV, of_hatch=lambda _, told: as_csv(told).encode()),
    "look-again.ics": Sheet(
        "text/calendar; charset=utf-8", of_hatch=lambda _, told: as_calendar(told)
    ),
    "pens.pdf": Sheet(PDF, of_flock=lambda session: pen_sheets(session)),
    "labels.pdf": Sheet(PDF, of_flock=lambda session: band_sheet(session)),
    "flock.csv": Sheet(CSV, of_flock=of_flock_as("csv")),
    "flock.xlsx": Sheet(
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        of_flock=of_flock_as("xlsx"),
    ),
    "flock.ods": Sheet(
        "application/vnd.oasis.opendocument.spreadsheet", of_flock=of_flock_as("ods")
    ),
}


def hatch_of(session: Session, name: str, hatch: int | None) -> HatchRow | None:
    """Return the hatch that a report tells of, None if it tells of the flock. Raises NotFound."""
    sheet = SHEETS.get(name)
    if sheet is None or (sheet.of_hatch is None) != (hatch is None):
        raise NotFound("no_such_report")
    row = session.get(HatchRow, hatch) if hatch is not None else None
    if hatch is not None and row is None:
        raise NotFound("no_such_report")
    return row


def report_file(store: Store, session: Session, name: str, hatch: int | None, on: date) -> bytes:
    """Return a report as it stands. Raises NotFound for one that there isn't."""
    row, sheet = hatch_of(session, name, hatch), SHEETS[name]
    if row is not None and sheet.of_hatch is not None:
        return sheet.of_hatch(store, report(session, row.name, on))
    assert sheet.of_flock is not None
    return sheet.of_flock(session)


def ask_for(desk: Desk, name: str, hatch: int | None = None) -> int:
    """Leave a report to be made, in the language at hand; returns its number.

    One of the same kind that still waits is not asked for twice. Raises NotFound.
    """
    with desk.store.writing(desk.by, Message("act_report", name=name)) as session:
        row = hatch_of(session, name, hatch)
        same = select(ReportRow.id).where(
            ReportRow.name == name,
            ReportRow.hatch_id.is_not_distinct_from(hatch),
            ReportRow.language == current.get(),
            *WAITS,
        )
        waits = session.scalars(same).first()
        if waits is not None:
            return waits
        made = ReportRow(
            name=name,
            hatch_id=hatch,
            hatch=row.name if row is not None else "",
            language=current.get(),
            region=region.get(),
            asked=datetime.now(UTC),
            by=desk.by,
            on=desk.on,
        )
        session.add(made)
        session.flush()
        forget_old(session)
        number = made.id
    if desk.later is None:
        make(desk.store, number)
    else:
        desk.leave("report", number=number)
    return number


def forget_old(session: Session) -> None:
    """Throw away reports that are many or old."""
    newest = select(ReportRow.id).order_by(ReportRow.id.desc()).limit(MOST)
    kept = set(session.scalars(newest))
    session.execute(
        delete(ReportRow).where(
            ReportRow.id.not_in(kept) | (ReportRow.asked < datetime.now(UTC) - KEPT)
        )
    )


def make(store: Store, number: int) -> None:
    """Make a report that waits; one that is made, or was thrown away, is left as it is.

    What can't be made keeps the reason. Raises StoreError where the records are away.
    """
    with store.reading() as session:
        row = session.get(ReportRow, number)
        if row is None or not row.waits:
            return
        asked = row.name, row.hatch_id, row.on
        languages = row.language, row.region

    def work() -> bytes:
        current.set(languages[0])
        region.set(languages[1])
        with store.reading() as session:
            return report_file(store, session, *asked)

    content, trouble = None, None
    try:
        content = contextvars.copy_context().run(work)
        if len(content) > LARGEST:
            raise Refusal("report_too_large", megabytes=LARGEST // 1_000_000)
    except Expected as error:
        if status_of(error) >= 500:  # the records are away: it will be tried again
            raise
        content, trouble = None, as_data(error)
    except Exception:
        logging.getLogger(__name__).exception("report %s broke off", asked[0])
        trouble = as_data(Message("report_broke_off"))
    with store.writing("", Message("act_report", name=asked[0])) as session:
        row = session.get(ReportRow, number)
        if row is not None:
            row.made = datetime.now(UTC) if content is not None else None
            row.trouble, row.content, row.size = trouble, content, len(content or b"")


def make_waiting(store: Store) -> None:
    """Make what was asked for when the server stopped."""
    with store.reading() as session:
        waiting = session.scalars(select(ReportRow.id).where(*WAITS).order_by(ReportRow.id)).all()
    for number in waiting:
        make(store, number)


def asked_for(session: Session) -> Sequence[ReportRow]:
    """Return the reports that were asked for, the newest first."""
    return session.scalars(select(ReportRow).order_by(ReportRow.id.desc())).all()


def asked_report(session: Session, number: int) -> ReportRow:
    """Return a report that was asked for. Raises NotFound."""
    row = session.get(ReportRow, number)
    if row is None:
        raise NotFound("no_such_report")
    return row


def finished(session: Session, number: int) -> tuple[ReportRow, bytes]:
    """Return a report with its file. Raises NotFound if there is none (yet)."""
    row = asked_report(session, number)
    if row.content is None:
        raise NotFound("report_not_made")
    return row, row.content
