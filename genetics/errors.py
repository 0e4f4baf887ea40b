"""The errors of genetics: one family, each with what happened, where, and what to do."""

from __future__ import annotations

from typing import Any

from genetics.messages import Message, Place, filled, templates


class GeneticsError(ValueError):
    """Base of all errors of this package: a code of `messages.toml` with its values.

    `place` says where, if that is in a file. `exit_code` is that of a command that ends so: 2
    for a command that makes no sense, 1 for an input that can't be used.
    """

    exit_code = 2

    def __init__(self, code: str, /, *, place: Place | None = None, **values: Any) -> None:
        super().__init__(code)
        self.code, self.place, self.values = code, place, values

    @property
    def message(self) -> Message:
        """What happened, as data."""
        return Message(self.code, **self.values)

    def __str__(self) -> str:
        template = templates()[self.code]
        where = f"{self.place}: " if self.place else ""
        remedy = f"; {filled(template['remedy'], self.values)}" if "remedy" in template else ""
        return f"{where}{filled(template['what'], self.values)}{remedy}"


class PedigreeError(GeneticsError):
    """A pedigree that can't be used; the message names the birds by their row."""

    exit_code = 1


class TooWide(PedigreeError):
    """Exact inference would need tables of more than MOST_CELLS cells."""


class Impossible(PedigreeError):
    """What is recorded has probability 0 together."""
