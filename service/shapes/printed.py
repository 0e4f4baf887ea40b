"""Names and numbers of the shapes that commands print.

A number changes with what a shape loses or means, never with what it gains. The shapes themselves
are in `catalogue`, which a command that only prints needn't wait for.
"""

from __future__ import annotations

NUMBERS = {
    "reading": 1,
    "unread": 1,
    "piles": 1,
    "plan": 1,
    "read": 1,
    "taken": 1,
    "candidates": 1,
    "written": 1,
    "cross": 1,
    "test-mating": 1,
    "counts": 1,
    "planned": 1,
    "strategies": 1,
    "opinion": 1,
    "grow-out": 1,
    "act": 1,
    "imported": 1,
    "backed-up": 1,
    "moved": 1,
    "verified": 1,
    "taken-back": 1,
    "raters": 1,
    "account": 1,
    "finding": 1,
    "learned": 1,
    "pooled": 1,
    "numbers": 1,
    "scores": 1,
}


def schema_name(shape: str) -> str:
    """Return what an object of a shape says of itself.

    >>> schema_name("reading")
    'reading/1'
    """
    return f"{shape}/{NUMBERS[shape]}"
