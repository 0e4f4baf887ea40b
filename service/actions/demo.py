"""The demo flock: loaded to try things out, and thrown away again."""

from __future__ import annotations

import sysconfig
from contextlib import ExitStack
from pathlib import Path

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.actions.desk import Act, Desk, perform
from service.actions.lists import import_sheet
from service.actions.photos import Upload, take_in
from service.errors import Clash, NotFound
from service.flock.flock_csv import OR
from service.records.exchange.importing import sheet_from
from service.records.exchange.mapping import Choices, guess_columns
from service.records.exchange.sheet import Sheet
from service.records.tables import (
    BirdRow,
    DecisionRow,
    HatchRow,
    MatingRow,
    PenBirdRow,
    PenRow,
    PhotoRow,
    ReadingRow,
    SightingRow,
)
from service.settings import Settings
from service.wording.sentences import Message

MARK = "demo"  # a column of the demo birds' own
# In the repository, and where an installed wheel puts it.
FOLDERS = (
    Path(__file__).parents[2] / "demo_images",
    Path(sysconfig.get_path("data")) / "share" / "combwright" / "demo",
)
DAY = "2026-10-04"  # on which the demo flock is at grow-out


def demo_folder() -> Path | None:
    """Return where the demo flock lies; None in an installation without it."""
    return next((folder for folder in FOLDERS if (folder / "flock.csv").is_file()), None)


def demo_birds(session: Session) -> list[BirdRow]:
    """Return the birds of the demo flock that are on record."""
    return [row for row in session.scalars(select(BirdRow)) if row.extra.get(MARK)]


def load_demo(desk: Desk, settings: Settings) -> tuple[Act, list[str]]:
    """Bring the demo flock into empty records; returns the act and its photos, yet to be read."""
    folder = demo_folder()
    if folder is None:
        raise NotFound("no_demo_here")
    with desk.store.reading() as session:
        if session.scalar(select(BirdRow.id).limit(1)) is not None:
            raise Clash("demo_beside_birds")
    listed = sheet_from(folder / "flock.csv")
    rows = tuple(
        (*row, MARK if place == listed.head else "yes") for place, row in enumerate(listed.rows)
    )
    sheet = Sheet("flock.csv", rows, listed.lines)
    choices = Choices(guess_columns(sheet.headings), hatches=True)
    act, _ = import_sheet(desk, sheet, choices)
    with ExitStack() as opened:
        uploads = [
            Upload(path.name, path.stat().st_size, opened.enter_context(path.open("rb")))
            for path in sorted(folder.glob("*.jpg"))
        ]
        return act, take_in(desk, settings, uploads, "").photos


def throw_demo_away(desk: Desk) -> Act:
    """Take the demo birds out again with all that hangs on them; birds of one's own stay.

    Refused where birds of one's own descend from them, or were mated to them.
    """

    def work(session: Session) -> list[str]:
        birds = demo_birds(session)
        if not birds:
            raise NotFound("no_demo_here")
        ids, bands = [row.id for row in birds], {row.band for row in birds}
        check_apart(session, ids, bands)
        photos = session.scalars(select(PhotoRow).where(PhotoRow.bird_id.in_(ids))).all()
        every = [*photos, *demo_leftovers(session)]
        names = [photo.sha256 for photo in every]
        pens = set(session.scalars(select(PenBirdRow.pen_id).where(PenBirdRow.bird_id.in_(ids))))
        for kind, which in (
            (SightingRow, SightingRow.bird_id.in_(ids)),
            (ReadingRow, ReadingRow.photo_sha256.in_(names)),
            (PhotoRow, PhotoRow.sha256.in_(names)),
            (DecisionRow, DecisionRow.bird_id.in_(ids)),
            (MatingRow, or_(MatingRow.sire_id.in_(ids), MatingRow.dam_id.in_(ids))),
            (PenBirdRow, PenBirdRow.bird_id.in_(ids)),
        ):
            for row in session.scalars(select(kind).where(which)).all():
                session.delete(row)
            session.flush()
        hatches = {row.hatch_id for row in birds} - {None}
        for bird in birds:
            session.delete(bird)
        session.flush()
        remove_empty(session, hatches, pens)
        return []

    act = perform(desk, Message("act_demo_away"), work)
    desk.work_in(None)
    return act


def check_apart(session: Session, ids: list[int], bands: set[str]) -> None:
    """Refuse to take birds out on which others depend."""
    for row in session.scalars(select(BirdRow).where(BirdRow.id.not_in(ids))):
        for parents in (row.sire, row.dam):
            if bands & {part.strip() for part in parents.split(OR)}:
                raise Clash("demo_has_chicks", band=row.band)
    mixed = select(MatingRow.id).where(MatingRow.sire_id.in_(ids) != MatingRow.dam_id.in_(ids))
    if session.scalar(mixed.limit(1)) is not None:
        raise Clash("demo_was_mated")


def demo_leftovers(session: Session) -> list[PhotoRow]:
    """Return demo photos without a bird: those that the demo's own list names by no bird."""
    folder = demo_folder()
    names = {path.name for path in folder.glob("*.jpg")} if folder else set()
    query = select(PhotoRow).where(PhotoRow.bird_id.is_(None), PhotoRow.name.in_(names))
    return list(session.scalars(query))


def remove_empty(session: Session, hatches: set[int | None], pens: set[int]) -> None:
    """Remove those of the hatches and pens that nothing is left of."""
    for number in hatches:
        if session.scalar(select(BirdRow.id).where(BirdRow.hatch_id == number).limit(1)) is None:
            row = session.get(HatchRow, number)
            if row is not None:
                session.delete(row)
    session.flush()
    for pen in session.scalars(select(PenRow).where(PenRow.id.in_(pens))).all():
        used = session.scalar(select(PenBirdRow.id).where(PenBirdRow.pen_id == pen.id).limit(1))
        eggs = session.scalar(select(HatchRow.id).where(HatchRow.pen_id == pen.id).limit(1))
        if used is None and eggs is None:
            session.delete(pen)
