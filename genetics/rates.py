"""From eggs to chicks that are scored: fertility, hatchability, livability."""

from __future__ import annotations

from typing import NamedTuple


class Rates(NamedTuple):
    """Shares of eggs that are fertile, of those that hatch, of those that live to be scored."""

    fertility: float
    hatch: float
    rearing: float

    @property
    def scored(self) -> float:
        """Share of all eggs that become a scored chick."""
        return self.fertility * self.hatch * self.rearing
