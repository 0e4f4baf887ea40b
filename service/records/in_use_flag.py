"""Whether records may have a reader of their own in use, found out without opening them in full.

A command that reads one photo starts in a second; the library that opens records would take half of
another, for most keepers in vain.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

SQLITE = "sqlite:///"


def may_have_reader(database: str) -> bool:
    """Return whether it is worth opening the records at a URL to look for a reader in use.

    Records that aren't there have none; so have those in a file that say so. Of all others, on a
    server or not to be read in this way, it can't be known here. Nothing is changed.
    """
    if not database.startswith(SQLITE):
        return True
    file = Path(database.removeprefix(SQLITE))
    if not file.is_file():
        return False
    try:
        with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as records:
            found = records.execute("SELECT 1 FROM readers WHERE in_use LIMIT 1").fetchone()
    except sqlite3.Error:
        return True
    return found is not None
