"""What the reader has to say, as a code with values; the words are in `messages.toml`.

A sentence is made where somebody reads it, in that reader's language. `str()` gives the English
one, for logs and for who uses this package alone. (`genetics` has the like of its own: the two
packages know nothing of each other.)
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


@dataclass(frozen=True, init=False)
class Doubt:
    """Why a reading isn't to be trusted as it stands: a code and the values that go into it."""

    code: str
    values: Mapping[str, Any]

    def __init__(self, code: str, /, **values: Any) -> None:
        object.__setattr__(self, "code", code)
        object.__setattr__(self, "values", values)

    def __hash__(self) -> int:
        return hash((self.code, repr(sorted(self.values.items()))))

    def __str__(self) -> str:
        return filled(templates()[self.code]["what"], self.values)


def filled(template: str, values: Mapping[str, Any]) -> str:
    """Return a template with its values in place; several are parted by commas."""
    plain = {k: ", ".join(map(str, v)) if isinstance(v, tuple) else v for k, v in values.items()}
    return template.format(**plain)
