"""The trail: every change of a record, who made it, and its undoing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import event, func, insert, inspect, select
from sqlalchemy.orm import Session, sessionmaker

from service.errors import Clash, NotFound, UsageMistake
from service.records.seals import ADOPTED, last_seal, seal_line
from service.records.tables import UNWATCHED, Base, ChangeRow
from service.records.values import lively, plain
from service.wording.sentences import Message, as_data, from_data, say

CLASSES: dict[str, type[Base]] = {m.class_.__tablename__: m.class_ for m in Base.registry.mappers}


def content(item: Base) -> dict[str, Any]:
    """Return a row's columns."""
    return {c.key: plain(getattr(item, c.key)) for c in inspect(item).mapper.column_attrs}


def earlier(item: Base) -> dict[str, Any]:
    """Return a row's columns as they were before this flush."""
    state, was = inspect(item), content(item)
    for name in was:
        history = state.attrs[name].history
        if history.deleted:
            was[name] = plain(history.deleted[0])
        elif history.added:  # never filled in before: such columns hold no old value here
            was[name] = None
    return was


def in_order(items: Iterable[Any]) -> list[Any]:
    """Return the rows of a flush in an order that doesn't depend on where they lie in memory."""
    return sorted(items, key=lambda item: inspect(item).identity or (0,))


def watch(sessions: sessionmaker[Session]) -> None:
    """Let every flush of these sessions write its changes to the trail."""

    @event.listens_for(sessions, "after_flush")
    def note(session: Session, _: Any) -> None:
        rows: list[tuple[Any, dict[str, Any] | None, dict[str, Any] | None]] = []
        for item in session.new:
            rows.append((item, None, content(item)))
        for item in in_order(session.dirty):
            before, after = earlier(item), content(item)
            if before != after:
                rows.append((item, before, after))
        for item in session.deleted:
            rows.append((item, content(item), None))
        rows = [row for row in rows if row[0].__tablename__ not in UNWATCHED]
        if not rows:
            return
        info = session.info
        if "act" not in info:
            raise RuntimeError("a session that only reads has changed records")
        now = datetime.now(UTC)
        lines = [
            {
                "act": info["act"],
                "made": now,
                "by": info["by"][:80],
                "said": info["said"],
                "undoes": info.get("undoes", ""),
                "kind": item.__tablename__,
                "row": item.id,
                "before": before,
                "after": after,
            }
            for item, before, after in rows
        ]
        seal = last_seal(session)
        for line in lines:
            seal = line["seal"] = seal_line(seal, line)
        session.execute(insert(ChangeRow), lines)


@dataclass(frozen=True)
class Act:
    """One act on the trail; `name` is that by which it can be taken back."""

    name: str
    made: datetime
    by: str
    act: Message
    changes: int
    undone: bool


def act_json(act: Act) -> dict[str, Any]:
    """Return an act for programs.

    What it was as a sentence in the language at hand, and as a code.
    """
    return {
        "batch": act.name,
        "made": act.made.isoformat(),
        "by": act.by,
        "act": say(act.act),
        "changes": act.changes,
        "undone": act.undone,
        "codes": as_data(act.act),
    }


def how_many_acts(session: Session) -> int:
    """Return the number of acts on the trail."""
    return session.scalar(select(func.count(ChangeRow.act.distinct()))) or 0


def acts(session: Session, last: int = 50, start: int = 0) -> list[Act]:
    """Return the newest acts, newest first, but for the first `start`."""
    newest = (
        select(
            ChangeRow.act,
            func.min(ChangeRow.id).label("first"),
            func.max(ChangeRow.id).label("last"),
            func.count().label("changes"),
        )
        .group_by(ChangeRow.act)
        .order_by(func.max(ChangeRow.id).desc())
        .limit(last)
        .offset(start)
        .subquery()
    )
    rows = session.execute(
        select(ChangeRow, newest.c.changes)
        .join(newest, ChangeRow.id == newest.c.first)
        .order_by(newest.c.last.desc())
    ).all()
    undone = set(session.scalars(select(ChangeRow.undoes).where(ChangeRow.undoes != "").distinct()))
    return [
        Act(row.act, row.made, row.by, from_data(row.said), changes, row.act in undone)
        for row, changes in rows
    ]


def history(session: Session, kind: str, row: int) -> Sequence[ChangeRow]:
    """All changes of one row, oldest first."""
    return session.scalars(
        select(ChangeRow).where(ChangeRow.kind == kind, ChangeRow.row == row).order_by(ChangeRow.id)
    ).all()


def undo(session: Session, act: str) -> int:
    """Take back one act, in full or not at all; returns how many rows it had changed.

    `session` is one that writes. Raises StoreError if there is no such act, if it is undone
    already, or if what it changed has been changed again since.
    """
    rows = session.scalars(
        select(ChangeRow).where(ChangeRow.act == act).order_by(ChangeRow.id.desc())
    ).all()
    if not rows:
        raise NotFound("no_such_act", act=act)
    if session.scalar(select(ChangeRow.id).where(ChangeRow.undoes == act).limit(1)):
        raise Clash("undone_already")
    if rows[0].said == ADOPTED:
        raise Clash("not_to_be_undone")
    session.info["undoes"] = act
    for change in rows:
        kind = CLASSES[change.kind]
        item = session.get(kind, change.row)
        now = content(item) if item is not None else None
        if now != change.after:
            raise Clash("changed_since", row=change.row, table=change.kind)
        if change.before is None:
            session.delete(item)
        else:
            values = lively(kind.__table__, change.before)  # type: ignore[arg-type]
            if item is None:
                item = kind()
                session.add(item)
            for name, value in values.items():
                setattr(item, name, value)
        session.flush()
    return len(rows)


def author(session: Session, act: str) -> str:
    """Return who did an act."""
    return session.scalar(select(ChangeRow.by).where(ChangeRow.act == act).limit(1)) or ""


def find_act(session: Session, start: str) -> str:
    """Return the act whose name begins so. Raises StoreError if there is none, or several."""
    if not start:
        raise UsageMistake("no_act_named")
    query = select(ChangeRow.act).where(ChangeRow.act.startswith(start)).distinct().limit(2)
    found = session.scalars(query).all()
    if len(found) != 1:
        raise NotFound("no_such_act" if not found else "several_acts", act=start)
    return found[0]
