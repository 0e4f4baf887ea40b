"""The errors of the classifier: one family, each with what happened, where, and what to do."""

from __future__ import annotations

from typing import Any

from classifier.messages import Doubt, filled, templates


class ClassifierError(ValueError):
    """Base of all errors of this package: a code of `messages.toml` with its values.

    `place` is the file in question, empty where the caller knows it. `exit_code` is that of a
    command that ends so.
    """

    exit_code = 1

    def __init__(self, code: str, /, *, place: object = "", **values: Any) -> None:
        super().__init__(code)
        self.code, self.place, self.values = code, str(place), values

    @property
    def message(self) -> Doubt:
        """What happened, as data."""
        return Doubt(self.code, **self.values)

    def __str__(self) -> str:
        template = templates()[self.code]
        where = f"{self.place}: " if self.place else ""
        remedy = f"; {filled(template['remedy'], self.values)}" if "remedy" in template else ""
        return f"{where}{filled(template['what'], self.values)}{remedy}"
