"""What genetics has to say, as a code with values; the words are in `messages.toml`.

A sentence is made where somebody reads it, in that reader's language. `str()` gives the English
one, for logs and for who uses this package alone.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any


@cache
def templates() -> dict[str, dict[str, str]]:
    """English templates by code: `what` is the case and, for errors, `remedy` what to do."""
    text = resources.files(__package__).joinpath("messages.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def plain(value: Any) -> Any:
    """Return a value as English text where it is no number; several are parted by commas."""
    if isinstance(value, list | tuple):
        return ", ".join(str(plain(part)) for part in value)
    return value


def filled(template: str, values: Mapping[str, Any]) -> str:
    """Return a template with its values in place."""
    return template.format(**{name: plain(value) for name, value in values.items()})


@dataclass(frozen=True, init=False)
class Message:
    """A sentence as data: a code of `messages.toml` and the values that go into it."""

    code: str
    values: Mapping[str, Any]

    def __init__(self, code: str, /, **values: Any) -> None:
        object.__setattr__(self, "code", code)
        object.__setattr__(self, "values", values)

    def __hash__(self) -> int:
        return hash((self.code, repr(sorted(self.values.items()))))

    def __str__(self) -> str:
        return filled(templates()[self.code]["what"], self.values)


@dataclass(frozen=True)
class Place:
    """Where something is wrong: a file, perhaps with line and column, key or bird."""

    file: str
    line: int | None = None
    column: str = ""
    key: str = ""
    bird: str = ""

    def __str__(self) -> str:
        parts = [self.file]
        parts += [f"line {self.line}"] if self.line is not None else []
        parts += [f"bird {self.bird}"] if self.bird else []
        parts += [f"column {self.column}"] if self.column else []
        parts += [f"key {self.key}"] if self.key else []
        return ", ".join(parts)
