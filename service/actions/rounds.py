"""What is done beside the pages: caught up at the start, backed up and looked after each hour."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from service import clock
from service.actions.desk import Desk
from service.actions.keeping import back_up_today
from service.actions.readers import ReaderInUse
from service.actions.reports import make_waiting
from service.answers.queue import catch_up as sort_the_rest
from service.answers.refresh import refresh
from service.errors import StoreError
from service.records.database import Store
from service.records.intake.read_pending import read_pending

HOUR = 3600.0


def catch_up(store: Store, readers: ReaderInUse) -> None:
    """Read photos that a crash left unread, and work out what changed since the last time."""
    try:
        reader = readers()
        back_up_today(Desk(store, reader.card.prior, "", clock.today()))
        read_pending(store, reader)
        sort_the_rest(store)
        refresh(store, reader.card.prior, clock.today())
        make_waiting(store)
        readers.look_after()
    except StoreError as error:
        logging.getLogger(__name__).warning("not caught up: %s", error)


def go_round(store: Store, readers: ReaderInUse) -> None:
    """Catch up at once; then, as long as the pages are served, back up on each new day."""
    if store.look_only:
        return
    unbroken(lambda: catch_up(store, readers))
    while True:
        time.sleep(HOUR)
        unbroken(readers.look_after)
        unbroken(lambda: back_up_today(Desk(store, readers.shipped.card.prior, "", clock.today())))


def look_after(readers: ReaderInUse) -> None:
    """Test now and then whether the reader keeps its word, where a worker does all the rest."""
    while True:
        unbroken(readers.look_after)
        time.sleep(HOUR)


def unbroken(work: Callable[[], object]) -> None:
    """Do some work of the background; whatever goes wrong is logged, and the next round comes."""
    try:
        work()
    except Exception:
        logging.getLogger(__name__).exception("the background's work broke off")
