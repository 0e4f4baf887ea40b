"""A contradiction in the records of a bird or its family, and what may lie behind it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from service.wording.sentences import Message, as_data, from_data

MOST_RECORDS = 6  # named in one sentence


@dataclass(frozen=True)
class Culprit:
    """One explanation of a conflict, with its share among those that were weighed.

    `kind` is a code of `messages.toml`; `bands` are the birds that it names: the first one alone,
    the others together.
    """

    kind: str
    bands: tuple[str, ...] = ()
    share: float = 0.0

    @property
    def message(self) -> Message:
        """As a sentence to be."""
        values: dict[str, Any] = {"share": self.share}
        if self.kind == "culprit_further":
            values["other_either"] = self.bands
        elif self.bands:
            values["band"] = self.bands[0]
        if len(self.bands) > 1 and self.kind != "culprit_further":
            values["other_either"] = self.bands[1:]
        return Message(self.kind, **values)


@dataclass(frozen=True)
class Conflict:
    """Records that can't well all be true."""

    source: Message
    comb: str = ""
    """The comb read, if that is what its relatives make impossible."""
    chance: float = 0.0
    """Of this comb before the reading, or of the records together as against each by itself."""
    culprits: tuple[Culprit, ...] = ()
    """What may lie behind it, the likelier first."""
    records: tuple[Message, ...] = ()
    """The records at odds, if it isn't one reading alone."""

    @property
    def message(self) -> Message:
        """As a sentence to be."""
        named = tuple(culprit.message for culprit in self.culprits)
        return Message("conflict_weighed", conflict=self.told, culprits=named)

    @property
    def told(self) -> Message:
        """What is at odds, without what may lie behind it."""
        odds = Message("odds_less")
        if self.chance >= 1e-4:
            odds = Message("odds_about", number=round(1 / self.chance))
        if not self.comb:
            if len(self.records) == 1:
                return Message("conflict_record", record=self.records[0], odds=odds)
            return Message("conflict_records", records_and=self.records[:MOST_RECORDS])
        said: dict[str, Any] = {"comb": self.comb, "odds": odds}
        if self.source.code == "source_person":
            return Message("conflict_person_comb", who=self.source.values["who"], **said)
        if self.source.code == "source_somebody":
            return Message("conflict_somebody_comb", **said)
        return Message("conflict_comb", source=self.source, **said)

    def as_data(self) -> dict[str, Any]:
        """As it is kept."""
        return {
            "source": as_data(self.source),
            "comb": self.comb,
            "chance": self.chance,
            "culprits": [vars(c) for c in self.culprits],
            "records": as_data(self.records),
        }

    @classmethod
    def from_data(cls, content: dict[str, Any]) -> Conflict:
        """Return the conflict that `as_data` was made from."""
        return cls(
            from_data(content["source"]),
            content["comb"],
            content["chance"],
            tuple(
                Culprit(c["kind"], tuple(c["bands"]), c["share"]) for c in content["culprits"] or ()
            ),
            from_data(content.get("records", [])),
        )


def by_share(weights: dict[Culprit, float], most: int = 4) -> tuple[Culprit, ...]:
    """Return culprits with their shares by the logarithms of their weights, the likelier first."""
    finite = {k: v for k, v in weights.items() if np.isfinite(v)}
    if not finite:
        return (Culprit("no_single_slip"),)
    top = max(finite.values())
    total = sum(np.exp(v - top) for v in finite.values())
    shares = {k: float(np.exp(v - top) / total) for k, v in finite.items()}
    ranked = sorted(shares.items(), key=lambda item: -item[1])[:most]
    return tuple(replace(found, share=share) for found, share in ranked if share >= 0.01)
