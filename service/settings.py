"""Where things are kept, from the environment."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Settings:
    """Folders and limits of an installation."""

    home: Path
    database: str
    most_upload: int = 40_000_000

    @property
    def photos(self) -> Path:
        """Folder of the content-addressed photos."""
        return self.home / "photos"


def from_environment() -> Settings:
    """COMBWRIGHT_HOME (default ~/.combwright) and COMBWRIGHT_DATABASE (default SQLite there)."""
    home = Path(os.environ.get("COMBWRIGHT_HOME") or Path.home() / ".combwright").resolve()
    database = os.environ.get("COMBWRIGHT_DATABASE") or f"sqlite:///{home / 'flock.sqlite3'}"
    return Settings(home, database)
