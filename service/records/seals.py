"""Seals: checksums that tell a silent change of the records at rest.

Every line of the trail is sealed together with the seal before it, so that a line that was changed,
put in or taken out shows; and every row of the records is held against its newest line. What was
worked out from the records (answers, piles) carries the checksum of its own row.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Table, insert, inspect, select, update
from sqlalchemy.orm import Session

from service.records.tables import UNWATCHED, Base, ChangeRow
from service.records.values import plain

LINE = ("act", "made", "by", "said", "undoes", "kind", "row", "before", "after")
ADOPTED = {"code": "act_adopted", "parameters": {}}
SOME = 500


def checksum(*parts: Any) -> str:
    """Return the SHA-256 of values as canonical JSON.

    >>> checksum({"b": 1, "a": 2}) == checksum({"a": 2, "b": 1})
    True
    """
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def seal_line(before: str, line: Mapping[str, Any]) -> str:
    """Return the seal of a line of the trail, by its columns, after the seal `before` it."""
    return checksum(before, *(plain(line[name]) for name in LINE))


def seal_row(row: Mapping[str, Any]) -> str:
    """Return the seal of a row that stands for itself, by its columns."""
    return checksum({name: plain(value) for name, value in row.items() if name != "seal"})


def last_seal(records: Session | Connection) -> str:
    """Return the seal of the newest line, nothing on an empty trail."""
    return records.scalar(select(ChangeRow.seal).order_by(ChangeRow.id.desc()).limit(1)) or ""


def watched() -> list[Table]:
    """Tables whose every row has a line on the trail, parents before children."""
    return [table for table in Base.metadata.sorted_tables if table.name not in UNWATCHED]


def lines(connection: Connection) -> Iterator[dict[str, Any]]:
    """Lines of the trail, oldest first, by the names that `LINE` has for the columns."""
    query = select(
        ChangeRow.id, ChangeRow.seal, *(getattr(ChangeRow, name).label(name) for name in LINE)
    ).order_by(ChangeRow.id)
    last = 0
    while True:
        some = connection.execute(query.where(ChangeRow.id > last).limit(SOME)).mappings().all()
        if not some:
            return
        yield from map(dict, some)
        last = some[-1]["id"]


def seal_all(connection: Connection) -> None:
    """Seal the whole trail as it stands, for records of a version that had no seals."""
    before = ""
    for line in lines(connection):
        before = seal_line(before, line)
        connection.execute(update(ChangeRow).where(ChangeRow.id == line["id"]).values(seal=before))


def newest_lines(connection: Connection) -> dict[tuple[str, int], dict[str, Any] | None]:
    """Return what each row became last, by table and key; None where it was taken out."""
    return {(line["kind"], line["row"]): line["after"] for line in lines(connection)}


def differs(row: Mapping[str, Any], line: Any) -> bool:
    """Whether a row isn't what its newest line says; columns that came later aren't asked."""
    return not isinstance(line, Mapping) or any(
        line[name] != plain(row[name]) for name in row if name in line
    )


def adopt(connection: Connection) -> int:
    """Write a line for each row that the trail doesn't know as it is; returns how many.

    Done once, for records of a version that didn't hold the two against each other. Tables and
    columns that only later versions have are left alone.
    """
    newest = newest_lines(connection)
    made = inspect(connection).get_table_names()
    before = last_seal(connection)
    act, now, count = uuid.uuid4().hex, datetime.now(UTC), 0
    for table in watched():
        if table.name not in made:
            continue
        there = {column["name"] for column in inspect(connection).get_columns(table.name)}
        query = select(*(column for column in table.c if column.name in there))
        for row in connection.execute(query.order_by(table.c.id)).mappings().all():
            known = newest.get((table.name, row["id"]))
            if not differs(dict(row), known):
                continue
            line = {
                "act": act, "made": now, "by": "combwright", "said": ADOPTED, "undoes": "",
                "kind": table.name, "row": row["id"], "before": known,
                "after": {name: plain(value) for name, value in row.items()},
            }  # fmt: skip
            before = seal_line(before, line)
            connection.execute(insert(ChangeRow).values({**line, "seal": before}))
            count += 1
    return count
