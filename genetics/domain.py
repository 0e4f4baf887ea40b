"""The tables of domain numbers that lie as TOML beside the code."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Any


@cache
def toml(name: str) -> dict[str, Any]:
    """The table `name`.toml of this package."""
    text = resources.files(__package__).joinpath(f"{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
