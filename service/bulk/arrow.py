"""Apache Arrow and Parquet, which come with the extra `cluster` alone."""

from __future__ import annotations

from typing import Any

from service.errors import UsageMistake


def arrow() -> Any:
    """Return pyarrow. Raises UsageMistake where it isn't installed."""
    try:
        import pyarrow
    except ImportError:
        raise UsageMistake("needs_cluster", what="Parquet") from None
    return pyarrow


def parquet() -> tuple[Any, tuple[type[Exception], ...]]:
    """Return pyarrow's Parquet, and what it raises over a file that isn't. Raises UsageMistake."""
    found = arrow()
    import pyarrow.parquet

    return pyarrow.parquet, (found.ArrowInvalid, found.ArrowException, OSError)
