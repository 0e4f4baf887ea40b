"""The shape behind each name that commands write, and its JSON Schema."""

from __future__ import annotations

from typing import Any

from service.shapes.base import Shape
from service.shapes.genetics import (
    Candidates,
    Counts,
    Cross,
    MatingTest,
    Planned,
    Strategies,
    Written,
)
from service.shapes.opinions import GrowOut, Opinion
from service.shapes.printed import NUMBERS, schema_name
from service.shapes.readings import Piles, Plan, Reading, ReadMany, Taken, Unread
from service.shapes.records import (
    Account,
    BackedUp,
    Finding,
    Imported,
    Learned,
    Moved,
    Numbers,
    Pooled,
    Raters,
    Scores,
    TakenBack,
    TrailAct,
    Verified,
)

SHAPES: dict[str, type[Shape]] = {
    "reading": Reading,
    "unread": Unread,
    "piles": Piles,
    "plan": Plan,
    "read": ReadMany,
    "taken": Taken,
    "candidates": Candidates,
    "written": Written,
    "cross": Cross,
    "test-mating": MatingTest,
    "counts": Counts,
    "planned": Planned,
    "strategies": Strategies,
    "opinion": Opinion,
    "grow-out": GrowOut,
    "act": TrailAct,
    "imported": Imported,
    "backed-up": BackedUp,
    "moved": Moved,
    "verified": Verified,
    "taken-back": TakenBack,
    "raters": Raters,
    "account": Account,
    "finding": Finding,
    "learned": Learned,
    "pooled": Pooled,
    "numbers": Numbers,
    "scores": Scores,
}


def json_schema(shape: str) -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of what is printed under a shape's name."""
    schema = SHAPES[shape].model_json_schema(mode="serialization")
    schema["properties"] = {**schema.get("properties", {}), "schema": {"const": schema_name(shape)}}
    schema["required"] = [*schema.get("required", []), "schema"]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:combwright:{shape}:{NUMBERS[shape]}",
        **schema,
    }
