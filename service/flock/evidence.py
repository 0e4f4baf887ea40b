"""What was seen of one bird itself, as genetics takes it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

import genetics.looks
from classifier.reading import Reading
from genetics.evidence import (
    from_person,
    from_posterior,
    from_recorded_genotype,
    from_sighting,
    from_wattles,
    mixed_peas,
    on_genotypes,
    wattle_silence,
    with_crest,
)
from genetics.looks import Look
from service.flock.flock_csv import Bird
from service.wording.sentences import Message

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Observation:
    """A reading as genetics takes it: the likelihood of the combs and where it comes from."""

    source: Message
    likelihood: Array
    comb: str
    """The comb word that the look proposes; empty if it proposes none."""
    by_person: bool = False
    by: str = ""
    """Who looked, if a person."""
    moment: str = ""
    """The day of the photo, as far as that is known."""
    view: str = ""
    """From where the head is seen: front or side."""


@dataclass(frozen=True)
class Evidence:
    """All that was seen of one bird itself."""

    crest: bool | None
    beard: bool | None
    observations: tuple[Observation, ...]
    wattles: Array
    wattles_note: Message | None
    genotype: Array

    @cached_property
    def combs(self) -> Array:
        """All looks as one likelihood of the combs (6,)."""
        return together(self.observations)

    @cached_property
    def coupling(self) -> Array | None:
        """Likelihood over R and P with crest (9, 3) where the comb couples them, else None."""
        if self.crest is not None:
            return None
        table = with_crest(self.combs)
        if table is None:
            return None
        return np.asarray(table * (self.wattles * self.genotype)[:, None])

    @cached_property
    def on_genotypes(self) -> Array:
        """Product of the pieces (9,), taken without a crest of unknown presence."""
        return on_genotypes(self.combs, self.crest) * self.wattles * self.genotype

    @property
    def on_crest(self) -> Array:
        """Likelihood (3,) of the crest's genotypes."""
        return from_sighting("Cr", self.crest)

    @property
    def on_beard(self) -> Array:
        """Likelihood (3,) of the beard's genotypes."""
        return from_sighting("Mb", self.beard)


def together(looks: Sequence[Observation]) -> Array:
    """Return looks as one likelihood of the combs (6,), what they share counted once."""
    return genetics.looks.together(
        [
            Look(look.likelihood, look.by if look.by_person else "", look.moment, look.view)
            for look in looks
        ]
    )


def observation_of(reading: Reading, prior: Sequence[float], moment: str = "") -> Observation:
    """Return a model's reading as a likelihood; what can't be read says nothing.

    `moment` is the day of the photo, if it is known.
    """
    useless = 1 - (1 - reading.none_of_these) * reading.readable
    if reading.pile == "new_photo":
        useless = 1.0
    likelihood = mixed_peas(from_posterior(reading.comb, prior, useless))
    comb = reading.best if reading.proposal else ""
    source = Message("source_photo", name=reading.photo)
    view = "front" if reading.frontal >= 0.5 else "side"
    return Observation(source, likelihood, comb, moment=moment, view=view)


def evidence_of(
    bird: Bird,
    readings: Sequence[Reading],
    prior: Sequence[float],
    on: date | None,
    people: Sequence[Observation] = (),
    moments: Mapping[str, str] | None = None,
) -> Evidence:
    """Collect what was seen of a bird; a note in the list outranks the photo for the crest.

    `people` are persons' looks at the bird's photos: they stand for the list's comb if the same
    person wrote that, or nobody is named there. `moments` are the days of photos by their name.
    """
    days = moments or {}
    looks = [observation_of(r, prior, days.get(r.photo, "")) for r in readings]
    crest = bird.crest
    usable = [r for r in readings if r.pile != "new_photo"]
    if crest is None and usable:
        chance = float(np.mean([r.crest for r in usable]))
        crest = True if chance > 0.8 else False if chance < 0.2 else None
    looks += people
    again = people and (not bird.comb_by or bird.comb_by in {look.by for look in people})
    if bird.comb and not again:
        who = bird.comb_by
        source = Message("source_person", who=who) if who else Message("source_somebody")
        said = from_person(bird.comb)
        looks.append(
            Observation(source, said, bird.comb, True, bird.comb_by, moment="seen on the bird")
        )
    age = bird.age_weeks(bird.wattles_on or on)
    wattles, note = np.ones(9), None
    if bird.wattles:
        wattles = from_wattles(bird.wattles, bird.beard, bird.sex, age)
        silent = wattle_silence(bird.beard, bird.sex, age)
        note = Message("says_wattles", size=bird.wattles)
        if silent:
            note = Message("says_wattles_silent", size=bird.wattles, why=silent)
    genotype = from_recorded_genotype(bird.genotype) if bird.genotype else np.ones(9)
    return Evidence(crest, bird.beard, tuple(looks), wattles, note, genotype)
