"""Whether every row says something that can be.

Each is read in full and held against its newest line of the trail; its words and references must
be known.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from sqlalchemy import Table, select
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from classifier.adaptation.change import Change
from classifier.card import CardError
from genetics.evidence import SAID, WATTLE_WORDS
from genetics.genotype import possible
from service.records.birds import stored_flock
from service.records.database import lots, reason_of
from service.records.entries import CHOICES, PURPOSES
from service.records.intake.near_duplicates import rows_for
from service.records.readings import reading_from_row
from service.records.seals import differs, lines, seal_line, seal_row, watched
from service.records.states import KEPT, SEEN, STATES, THERE
from service.records.tables import Base, ChangeRow, HashPartRow, PhotoRow, ReadingRow
from service.wording.sentences import Message

# The trail is read with its seals, the index of hashes against the photos.
ELSEWHERE = (ChangeRow.__tablename__, HashPartRow.__tablename__)
# What a database and the types of columns make of damaged values.
UNREADABLE = (ValueError, TypeError, AttributeError, DatabaseError)
HEXADECIMAL = re.compile("[0-9a-f]{64}")
READER = re.compile("[0-9a-f]{6}")
LIKENESS = re.compile("[0-9a-f]{16}")
Row = Mapping[str, Any]


def one_of(*words: str) -> Callable[[Any], bool]:
    """Return whether a value is one of some words."""
    known = frozenset(words)
    return lambda value: value in known


def flag(value: Any) -> bool:
    """Whether a value is yes, no or not known."""
    return value in (None, True, False)


def count(value: Any) -> bool:
    """Whether a value is a whole number, or not known."""
    return value is None or (isinstance(value, int) and 0 <= value < 2**31)


def genotype(value: Any) -> bool:
    """Whether a value is a genotype, or empty."""
    return not value or bool(possible(value))


def learned(value: Any) -> bool:
    """Whether a value is what a reader learned, with its trial."""
    try:
        Change.from_data(value["change"])
    except (CardError, KeyError, TypeError):
        return False
    return isinstance(value.get("report"), dict) and isinstance(value.get("against"), list)


# What the columns of each table may hold, where that isn't any text.
ALLOWED: dict[str, dict[str, Callable[[Any], bool]]] = {
    "birds": {
        "sex": one_of("", "cock", "hen"),
        "comb": one_of("", *SAID),
        "wattles": one_of("", *WATTLE_WORDS),
        "crest": flag,
        "beard": flag,
        "genotype": genotype,
    },
    "hatches": {"eggs": count, "chicks": count},
    "photos": {
        "sha256": lambda value: bool(HEXADECIMAL.fullmatch(value)),
        "source_sha256": lambda value: not value or bool(HEXADECIMAL.fullmatch(value)),
        "likeness": lambda value: not value or bool(LIKENESS.fullmatch(value)),
        "suffix": lambda value: bool(re.fullmatch(r"\.[a-z0-9]{2,5}", value)),
        "bytes": count,
    },
    "readings": {"comb": one_of("", *SEEN), "person": flag, "blind": flag},
    "sightings": {"wattles": one_of("", *WATTLE_WORDS), "crest": flag, "beard": flag},
    "matings": {"purpose": one_of(*PURPOSES)},
    "counts": {"comb": one_of(*SAID), "chicks": count},
    "decisions": {"choice": one_of(*CHOICES)},
    "intake_items": {"state": one_of(*STATES)},
    "readers": {
        "name": lambda value: bool(READER.fullmatch(value)),
        "base": lambda value: bool(HEXADECIMAL.fullmatch(value)),
        "better": flag,
        "in_use": flag,
        "content": learned,
    },
}


def check_rows(session: Session) -> Iterator[Message]:
    """Everything that is wrong with the rows of the records; nothing is changed."""
    newest, broken = check_trail(session)
    yield from broken
    keys: dict[str, set[Any]] = {}
    shas: set[str] = set()
    pending: list[tuple[Table, Row]] = []
    on_trail = watched()
    for table in Base.metadata.sorted_tables:
        own = next(iter(table.primary_key.columns)).name
        keys[table.name] = set()
        for row in read_rows(session, table):
            if isinstance(row, Message):
                yield row
                continue
            keys[table.name].add(row[own])
            if table.name == "photos":
                shas.add(row["sha256"])
            yield from check_words(table, row)
            if table in on_trail:
                line = newest.pop((table.name, row["id"]), None)
                if differs(row, line):
                    yield Message("verify_differs", table=table.name, row=row["id"])
            elif table.name in ("answers", "piles") and row["seal"] != seal_row(row):
                yield Message("verify_seal", table=table.name, row=row[own])
            pending.append((table, {c.name: row[c.name] for c in table.c if c.foreign_keys}))
    for (kind, number), line in newest.items():
        if line is not None:
            yield Message("verify_row_gone", table=kind, row=number)
    yield from check_references(pending, keys, shas)
    yield from check_content(session, shas)


def check_trail(
    session: Session,
) -> tuple[dict[tuple[str, int], dict[str, Any] | None], list[Message]]:
    """Return what each row became last, and what is wrong with the trail itself."""
    found: list[Message] = []
    newest: dict[tuple[str, int], dict[str, Any] | None] = {}
    before = ""
    kinds = {table.name for table in watched()}
    try:
        for line in lines(session.connection()):
            if seal_line(before, line) != line["seal"] or line["kind"] not in kinds:
                found.append(Message("verify_trail", row=line["id"]))
            newest[line["kind"], line["row"]] = line["after"]
            before = line["seal"]
    except UNREADABLE as error:
        found.append(unread("changes", "", error))
    return newest, found


def read_rows(session: Session, table: Table) -> Iterator[Row | Message]:
    """Rows of a table in full; in the place of one that can't be read, what is wrong with it."""
    if table.name in ELSEWHERE:
        return
    own = next(iter(table.primary_key.columns))
    for some in lots(session.scalars(select(own).order_by(own)).all()):
        try:
            rows = session.execute(select(table).where(own.in_(some)).order_by(own)).mappings()
            yield from map(dict, rows.all())
            continue
        except UNREADABLE:
            pass
        for number in some:
            try:
                row = session.execute(select(table).where(own == number)).mappings().one()
                yield dict(row)
            except UNREADABLE as error:
                yield unread(table.name, number, error)


def unread(table: str, row: Any, error: Exception) -> Message:
    """Return the complaint about a row that can't be read."""
    return Message("verify_unread", table=table, row=row, reason=reason_of(error))


def check_words(table: Table, row: Row) -> Iterator[Message]:
    """Tell what a row holds that its columns may not."""
    for column, allowed in ALLOWED.get(table.name, {}).items():
        try:
            fits = allowed(row[column])
        except Exception:  # whatever a genotype or a word of another type makes of it
            fits = False
        if not fits:
            shown = repr(row[column])[:40]
            if table.name == "intake_items" and column == "state":
                yield Message("verify_item_state", name=row["name"], state=row[column])
            else:
                yield Message(
                    "verify_word", table=table.name, row=row["id"], column=column, value=shown
                )
    kept = table.name == "intake_items" and row["state"] in (KEPT, THERE)
    if kept and not row["photo_sha256"]:
        yield Message("verify_item_photo", name=row["name"])
    if table.name == "intake_items" and row["message"]:
        try:
            said = json.loads(row["message"])
            str(said["code"]), dict(said["parameters"])
        except (ValueError, TypeError, KeyError):
            yield Message("verify_word", table=table.name, row=row["id"], column="message",
                          value=repr(row["message"])[:40])  # fmt: skip


def check_references(
    rows: list[tuple[Table, Row]], keys: Mapping[str, set[Any]], shas: set[str]
) -> Iterator[Message]:
    """Tell of references to rows that aren't there."""
    for table, row in rows:
        for name, value in row.items():
            target = next(iter(table.c[name].foreign_keys)).column
            there = shas if target.name == "sha256" else keys[target.table.name]
            if value is not None and value not in there:
                yield Message("verify_reference", row=value, table=table.name,
                              other=target.table.name)  # fmt: skip


def check_content(session: Session, shas: set[str]) -> Iterator[Message]:
    """Tell whether readings can be shown, birds fit each other, and the index is right."""
    for like in session.scalars(select(PhotoRow.like)):
        if like and like not in shas:
            yield Message("verify_reference", row=like[:12], table="photos", other="photos")
    for reading in session.scalars(select(ReadingRow).where(ReadingRow.person.is_(False))):
        try:
            reading_from_row(reading).as_json(str)
        except Exception as error:  # whatever a damaged content makes of it
            yield unread("readings", reading.id, error)
    try:
        stored_flock(session)
    except Exception as error:  # an error of the flock, or a cell that can't be read
        yield Message("verify_flock", reason=reason_of(error))
    wanted = {
        (row["part"], row["value"], row["photo_id"])
        for row in rows_for(session.execute(select(PhotoRow.id, PhotoRow.likeness)).all())
    }
    rows = session.execute(select(HashPartRow.part, HashPartRow.value, HashPartRow.photo_id))
    there = {(row.part, row.value, row.photo_id) for row in rows}
    if wanted != there:
        number = len(wanted ^ there)
        yield Message("verify_index", number=number)
