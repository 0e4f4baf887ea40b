"""Readings as an Arrow table: what is asked for most as columns, and each as it is printed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from classifier.vocabulary import COMBS
from service.bulk.arrow import arrow, parquet

PHOTOS, UNREAD = b"photos", b"unread"  # counts that a file's own metadata tell


def reading_schema() -> Any:
    """Return the columns. Raises UsageMistake where pyarrow isn't installed."""
    pa = arrow()
    number, text = pa.float64(), pa.string()
    return pa.schema(
        [
            ("photo", text),
            ("ok", pa.bool_()),
            ("error", text),
            ("proposal", text),
            ("confidence", number),
            ("pile", text),
            ("comb", pa.struct([(comb, number) for comb in COMBS])),
            ("none_of_these", number),
            ("crest", number),
            ("beard", number),
            ("wattles", text),
            ("doubts", pa.list_(text)),
            ("model", text),
            ("json", text),
        ]
    )


def reading_file(printed: Sequence[tuple[Mapping[str, Any], str]]) -> bytes:
    """Return a Parquet file of readings, each as object and as the line that would be printed."""
    pa, (writer, _) = arrow(), parquet()
    names = set(reading_schema().names) - {"wattles", "json"}
    rows = [
        {name: value for name, value in row.items() if name in names}
        | {"wattles": (row.get("wattles") or {}).get("size"), "json": line}
        for row, line in printed
    ]
    unread = sum(not row["ok"] for row, _ in printed)
    counts = {PHOTOS: str(len(rows)).encode(), UNREAD: str(unread).encode()}
    table = pa.Table.from_pylist(rows, schema=reading_schema()).replace_schema_metadata(counts)
    sink = pa.BufferOutputStream()
    writer.write_table(table, sink, compression="zstd")
    data: bytes = sink.getvalue().to_pybytes()
    return data


def counts_of(data: bytes) -> tuple[int, int]:
    """Return how many photos a file holds, and how many of them couldn't be read."""
    reader, _ = parquet()
    told = reader.read_schema(arrow().BufferReader(data)).metadata or {}
    return int(told[PHOTOS]), int(told[UNREAD])
