"""How far learning apart from the pages has come, kept where every server finds it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from service.records.tables import LearningRow

ONLY = 1  # the key of the one row


@dataclass(frozen=True)
class Noted:
    """What is noted of the run of learning that was begun last."""

    done: int = 0
    steps: int = 0
    name: str = ""
    trouble: dict[str, Any] | None = None


def note(session: Session, noted: Noted) -> None:
    """Note how far learning has come."""
    row = session.get(LearningRow, ONLY)
    if row is None:
        row = LearningRow(id=ONLY)
        session.add(row)
    row.done, row.steps, row.name, row.trouble = (
        noted.done, noted.steps, noted.name, noted.trouble,
    )  # fmt: skip


def noted(session: Session) -> Noted:
    """Return how far learning has come."""
    row = session.get(LearningRow, ONLY)
    return Noted(row.done, row.steps, row.name, row.trouble) if row is not None else Noted()
