"""Candidates as an Arrow table: the fields of the JSON contract as columns."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from genetics.combs import CLASSES
from genetics.genotype import NAMES
from service.bulk.arrow import arrow
from service.flock.candidates import Candidate, copies_written
from service.shapes.printed import schema_name

# Objects whose names differ from bird to bird, as JSON text.
AS_TEXT = ("with_crest", "parents", "codes")


def candidate_schema() -> Any:
    """Return the columns: those of `candidates --json`, and the bird's line on its list.

    Raises UsageMistake where pyarrow isn't installed.
    """
    pa = arrow()

    def chances(names: Sequence[str]) -> Any:
        return pa.struct([(name, pa.float64()) for name in names])

    piece = pa.struct(
        [
            ("evidence", pa.string()),
            ("says", pa.string()),
            ("likelihood_ratio", pa.float64()),
            ("with_over_without", pa.float64()),
        ]
    )
    return pa.schema(
        [
            ("bird", pa.string()),
            ("line", pa.int64()),
            ("genotypes", chances(NAMES)),
            ("combs", chances(CLASSES)),
            ("conflict", pa.string()),
            ("ledger", pa.list_(piece)),
            ("crest", chances(copies_written("Cr"))),
            ("beard", chances(copies_written("Mb"))),
            ("variety", pa.string()),
            ("method", pa.string()),
            ("standard_error", pa.float64()),
            ("converged", pa.bool_()),
            *((name, pa.string()) for name in AS_TEXT),
        ],
        metadata={"schema": schema_name("candidates")},
    )


def candidate_table(found: Sequence[Candidate], lines: Sequence[int | None]) -> Any:
    """Return candidates as a table, each with its line. Raises UsageMistake without pyarrow."""
    rows = []
    for candidate, line in zip(found, lines, strict=True):
        row = candidate.as_json() | {"line": line}
        for name in AS_TEXT:
            if name in row:
                row[name] = json.dumps(row[name], ensure_ascii=False)
        rows.append(row)
    return arrow().Table.from_pylist(rows, schema=candidate_schema())


def as_json(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row of the table as the object of `candidates --json`."""
    answer = {k: v for k, v in row.items() if k != "line" and not optional_and_empty(k, v)}
    for name in AS_TEXT:
        if name in answer:
            answer[name] = json.loads(answer[name])
    return answer


def optional_and_empty(name: str, value: Any) -> bool:
    """Whether a field is left out of the object when it has no value."""
    return value is None and name != "conflict"
