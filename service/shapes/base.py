"""What all shapes share."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

Chance = Annotated[float, Field(ge=0, le=1)]
Chances = dict[str, Chance]


class Shape(BaseModel):
    """A JSON object; fields that are unknown here are passed on as they are."""

    model_config = ConfigDict(extra="allow", use_attribute_docstrings=True)


class Code(Shape):
    """A sentence as data: the same in every language."""

    code: str
    parameters: dict[str, Any]


class Sentence(Code):
    """A sentence as data, with its words in the reader's language."""

    sentence: str


def strangers(value: object) -> list[str]:
    """Return the fields within a shape's value that no shape describes."""
    found: list[str] = []
    if isinstance(value, Shape):
        found += [f"{type(value).__name__}.{name}" for name in value.model_extra or {}]
        value = [getattr(value, name) for name in type(value).model_fields]
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list | tuple):
        for part in value:
            found += strangers(part)
    return found
