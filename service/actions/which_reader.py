"""The reader of a command that needs no records: looked up only where there may be another one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from service.model import default_reader
from service.records.in_use_flag import may_have_reader
from service.settings import Settings

if TYPE_CHECKING:
    from classifier.reader import Reader


def reader_for(settings: Settings, weights: Path | None) -> Reader:
    """Return the reader of a command: that of a folder, else the one that the records have in use.

    Records that aren't there aren't made.
    """
    if weights is not None or not may_have_reader(settings.database):
        return default_reader(weights)
    from classifier.card import load_card
    from classifier.reader import Reader
    from service.records.learned import change_in_use

    change = change_in_use(settings, load_card().document["weights"]["sha256"])
    return default_reader() if change is None else Reader(change=change)
