"""Which reader reads: the shipped one, or one that learned from the flock; taken and left here."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy.orm import Session

from classifier.card import CardError
from service.actions.desk import Act, Desk, perform
from service.records.database import Store
from service.records.intake.read_pending import count_to_read, read_pending
from service.records.learned import (
    SHIPPED,
    change_of,
    in_use,
    learned_readers,
    reader_named,
    use_reader,
)
from service.records.tables import ReaderRow
from service.views.reader_drift import Watch, watch_reader
from service.wording.sentences import Message

if TYPE_CHECKING:
    from classifier.reader import Reader


class ReaderInUse:
    """The reader of a server: looked up in the records each time, loaded when it has changed.

    Another process may have taken another reader meanwhile. With `weights` it is always the one of
    that folder.
    """

    def __init__(self, store: Store, weights: Path | None = None) -> None:
        from service.model import default_reader

        self.store, self.fixed = store, weights is not None
        self.shipped: Reader = default_reader(weights)
        self.base: str = self.shipped.card.document["weights"]["sha256"]
        self.turn = threading.Lock()
        self.learned: tuple[str, Reader] | None = None
        self.watch: Watch | None = None

    def __call__(self) -> Reader:
        """Return the reader in use; the shipped one where what was learned is damaged."""
        if self.fixed:
            return self.shipped
        with self.store.reading() as session:
            row = in_use(session, self.base)
        if row is None:
            return self.shipped
        with self.turn:
            if self.learned is None or self.learned[0] != row.name:
                self.learned = row.name, self._learned(row)
            return self.learned[1]

    def _learned(self, row: ReaderRow) -> Reader:
        from classifier.reader import Reader

        try:
            return Reader(self.shipped.folder, change=change_of(row))
        except CardError as error:
            logging.getLogger(__name__).warning("reader %s: %s", row.name, error)
            return self.shipped

    def look_after(self) -> None:
        """Test whether the reader in use keeps its word; what came of it is in `watch`."""
        model = self().card.model
        with self.store.reading() as session:
            self.watch = watch_reader(session, model)


def all_readers(store: Store) -> list[dict[str, Any]]:
    """Return the readers that learned from the flock as they are told, the newest first."""
    with store.reading() as session:
        return [
            described(row.name, row.better, row.in_use, row.content)
            for row in learned_readers(session)
        ]


def learned_reader(session: Session, name: str) -> dict[str, Any]:
    """Return one of them. Raises NotFound."""
    row = reader_named(session, name)
    return described(row.name, row.better, row.in_use, row.content)


def photos_of_others(session: Session, model: str) -> int:
    """Return how many photos were last read by another reader than this one."""
    return count_to_read(session, model, again=True) - count_to_read(session, model)


def described(name: str, better: bool, in_use: bool, content: dict[str, Any]) -> dict[str, Any]:
    """Return a reader that learned as its report is told: not its numbers."""
    return {
        "name": name,
        "better": better,
        "in_use": in_use,
        "against": content["against"],
        **content["report"],
    }


def take_reader(desk: Desk, name: str, base: str) -> Act:
    """Let a reader that learned read from now on, or the shipped one; what was read stays.

    Raises NotFound, and Refusal for one whose trial didn't find it better.
    """
    said = Message("act_shipped_reader") if name == SHIPPED else Message("act_reader", name=name)

    def work(session: Session) -> list[str]:
        use_reader(session, name, base)
        return []

    return perform(desk, said, work)


def read_again(
    desk: Desk, reader: Reader, told: Callable[[int], None] = lambda _: None
) -> list[Message]:
    """Read all photos whose newest reading is by another reader; the earlier readings stay.

    Returns complaints about photos that can't be opened.
    """
    complaints = read_pending(desk.store, reader, None, told, again=True)
    desk.work_in(None)
    return complaints
