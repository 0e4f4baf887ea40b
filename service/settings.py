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
    numbers: Path | None = None
    """The user's own numbers in place of ours."""
    most_upload: int = 40_000_000
    language: str = "en"
    """Of the command line; pages speak the visitor's."""
    keep_originals: bool = False
    """Keep photos as they come, with the place and the camera that they tell."""

    @property
    def photos(self) -> Path:
        """Folder of the content-addressed photos."""
        return self.home / "photos"

    @property
    def backups(self) -> Path:
        """Folder of the backups that are made by themselves."""
        return self.home / "backups"


def from_environment() -> Settings:
    """COMBWRIGHT_HOME (default ~/.combwright), COMBWRIGHT_DATABASE (default SQLite there).

    COMBWRIGHT_LANGUAGE=de lets the command line speak German.
    COMBWRIGHT_KEEP_ORIGINALS=yes keeps photos with their metadata. COMBWRIGHT_NUMBERS names a
    TOML file with the user's own numbers, see genetics/numbers.py.
    """
    home = Path(os.environ.get("COMBWRIGHT_HOME") or Path.home() / ".combwright").resolve()
    database = os.environ.get("COMBWRIGHT_DATABASE") or f"sqlite:///{home / 'flock.sqlite3'}"
    own = os.environ.get("COMBWRIGHT_NUMBERS")
    originals = os.environ.get("COMBWRIGHT_KEEP_ORIGINALS", "") in ("1", "yes")
    language = os.environ.get("COMBWRIGHT_LANGUAGE") or "en"
    return Settings(
        home,
        database,
        Path(own) if own else None,
        language=language,
        keep_originals=originals,
    )


def use_numbers(settings: Settings) -> None:
    """Let the user's own numbers count in this process. Raises NumbersError or OSError."""
    if settings.numbers is not None:
        from genetics import numbers
        from genetics.messages import Place

        try:
            text = settings.numbers.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            raise numbers.NumbersError(
                "numbers_not_utf8", place=Place(str(settings.numbers))
            ) from None
        numbers.use(numbers.read(text, str(settings.numbers)))
