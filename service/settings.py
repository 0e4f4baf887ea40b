"""Where things are kept, from the environment."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from platformdirs import user_data_path
from pydantic import ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict

from service.errors import UsageMistake

PREFIX = "COMBWRIGHT_"
# What a variable may say that takes no text of any kind.
KNOWN = {"language": ("en", "de"), "keep_originals": ("yes", "no")}


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
    photo_store: str = ""
    """URL of the object store that photos are kept in; the folder then holds those at hand."""

    @property
    def photos(self) -> Path:
        """Folder of the content-addressed photos."""
        return self.home / "photos"

    @property
    def backups(self) -> Path:
        """Folder of the backups that are made by themselves."""
        return self.home / "backups"


class Environment(BaseSettings):
    """The variables that settings are read from; empty ones count as not set."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, env_ignore_empty=True)

    home: Path | None = None
    database: str | None = None
    numbers: Path | None = None
    language: Literal["en", "de"] = "en"
    keep_originals: bool = False
    photo_store: str = ""


def usual_home() -> Path:
    """Return where records lie if nobody says: where the system keeps a program's data.

    Earlier versions kept them in ~/.combwright; where that is, it stays in use.
    """
    earlier = Path.home() / ".combwright"
    return earlier if earlier.is_dir() else user_data_path("combwright", appauthor=False)


def from_environment() -> Settings:
    """Return the settings that the variables of `Environment` say. Raises UsageMistake.

    COMBWRIGHT_HOME (default: see `usual_home`), COMBWRIGHT_DATABASE (default SQLite there).
    COMBWRIGHT_LANGUAGE=de lets the command line speak German.
    COMBWRIGHT_KEEP_ORIGINALS=yes keeps photos with their metadata. COMBWRIGHT_PHOTO_STORE=s3://...
    keeps them in an object store. COMBWRIGHT_NUMBERS names a
    TOML file with the user's own numbers, see genetics/numbers.py.
    """
    try:
        said = Environment()
    except ValidationError as error:
        first = error.errors()[0]
        raise UsageMistake(
            "bad_setting",
            name=f"{PREFIX}{first['loc'][0]}".upper(),
            text=str(first["input"])[:80],
            known=KNOWN[str(first["loc"][0])],
        ) from None
    home = (said.home or usual_home()).expanduser().resolve()
    return Settings(
        home,
        said.database or f"sqlite:///{home / 'flock.sqlite3'}",
        said.numbers,
        language=said.language,
        keep_originals=said.keep_originals,
        photo_store=said.photo_store,
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
