"""What was seen, as likelihoods of the nine genotypes.

A likelihood is an array (9,) or (6,) up to a constant; all ones says nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from genetics.combs import CLASSES, Array, penetrance, tables
from genetics.genotype import DOSES, all_loci, possible
from genetics.messages import Message

SAID = {
    **{name: (name,) for name in CLASSES},
    "pea": ("single_blade_pea", "triple_pea"),
}
WATTLE_WORDS = ("small", "medium", "large")


def from_posterior(posterior: ArrayLike, prior: ArrayLike, useless: float = 0.0) -> Array:
    """Likelihood (6,) of the combs from a classifier's probabilities.

    p(photo | comb) is proportional to p(comb | photo) / p_train(comb): the training prior is
    divided out here and nowhere else. `useless` is the chance that the photo shows none of the
    six combs or can't be read; then it says nothing. The result is scaled to a mean of 1.

    Raises ValueError unless both are distributions over the six classes.
    """
    p, q = np.asarray(posterior, float), np.asarray(prior, float)
    for name, value in (("posterior", p), ("training prior", q)):
        if value.shape != (len(CLASSES),) or (value < 0).any() or abs(value.sum() - 1) > 1e-6:
            raise ValueError(f"{name} must be {len(CLASSES)} probabilities that sum to 1: {value}")
    if (q <= 0).any():
        raise ValueError("the training prior has a class that was never trained on")
    ratio = p / q
    ratio = ratio / ratio.mean()
    return useless + (1 - useless) * ratio


def observer_confusion() -> Array:
    """Return what a person of whom nothing is known writes down (columns) of what is there (rows),
    (6, 6).

    Nobody is infallible: the slips of `combs.toml` apply.
    """
    numbers = tables()["person"]
    slip = float(numbers["slip"])
    confusion = np.full((6, 6), slip / 5)
    np.fill_diagonal(confusion, 1 - slip)
    folded = CLASSES.index("crest_folded_single")
    for seen in ("walnut", "rose"):
        share = float(numbers[f"folded_taken_for_{seen}"])
        confusion[folded, CLASSES.index(seen)] += share
        confusion[folded, folded] -= share
    return confusion


def from_person(
    said: str, confusion: Array | None = None, blind: bool = True, confirms: bool = False
) -> Array:
    """Likelihood (6,) of the combs where a person wrote down `said` (a class, or 'pea').

    `confusion` (6, 6) are the person's own slips, where they were estimated. Who had seen another
    reading before is no independent witness: then the likelihood counts less, by `combs.toml`, and
    least of all if it only confirms that reading.
    """
    if said not in SAID:
        raise ValueError(f"unknown comb word {said!r}; use one of {', '.join(SAID)}")
    table = observer_confusion() if confusion is None else confusion
    likelihood = np.asarray(table[:, [CLASSES.index(c) for c in SAID[said]]].sum(1))
    if blind:
        return likelihood
    weight = tables()["person"]["confirms" if confirms else "not_blind"]
    return np.asarray(likelihood ** float(weight))


def mixed_peas(likelihood: Array) -> Array:
    """Return a photo's likelihood (6,) with blade and triple told apart no better than photos do.

    The share of photographs on which they are taken for each other is in `combs.toml`.
    """
    blade, triple = (CLASSES.index(c) for c in SAID["pea"])
    mixed = float(tables()["looks"]["peas_mixed"])
    found = likelihood.copy()
    found[blade] = (1 - mixed) * likelihood[blade] + mixed * likelihood[triple]
    found[triple] = (1 - mixed) * likelihood[triple] + mixed * likelihood[blade]
    return found


def with_observer_errors(shares: Array) -> Array:
    """Shares (..., k) of what is there as shares of what a person writes down.

    A slip of `combs.toml` leads to any of the other words alike.
    """
    slip = float(tables()["person"]["slip"])
    return np.asarray(shares * (1 - slip) + (1 - shares) * slip / (shares.shape[-1] - 1))


def on_genotypes(comb_likelihood: Array, crest: bool | float | None) -> Array:
    """Return a likelihood of the combs (6,) carried to the genotypes (9,)."""
    return np.asarray(penetrance(crest) @ comb_likelihood)


def from_genotype(text: str) -> Array:
    """Return known genotype, perhaps with open alleles, as a likelihood (9,) of ones and zeros."""
    allowed = np.zeros(len(DOSES))
    allowed[list(possible(text))] = 1
    return allowed


def from_recorded_genotype(text: str) -> Array:
    """Return a genotype on record as a likelihood (9,): 1 for what it allows, a slip for the rest.

    Nobody's records are free of mistakes: the chance of one is in `combs.toml`.
    """
    allowed = from_genotype(text)
    slip = float(tables()["person"]["wrong_genotype"])
    others = max(1.0, float((allowed == 0).sum()))
    return np.where(allowed > 0, 1.0, slip / (1 - slip) * max(1.0, allowed.sum()) / others)


def wattle_silence(beard: bool | None, sex: str | None, age_weeks: float | None) -> Message | None:
    """Why wattles say nothing of this bird; None if they do say something."""
    if beard is None:
        return Message("beard_not_noted")
    if beard:
        return Message("beard_present")
    if sex not in ("cock", "hen"):
        return Message("sex_unknown")
    if age_weeks is None:
        return Message("age_unknown")
    youngest = min(float(band["from_weeks"]) for band in tables()["wattles"].values())
    if age_weeks < youngest:
        return Message("too_young_for_wattles", weeks=youngest)
    return None


def from_wattles(size: str, beard: bool | None, sex: str | None, age_weeks: float | None) -> Array:
    """Wattle size as a likelihood (9,) of the genotypes: exactly ones wherever it is silent.

    Pea reduces wattles (Wright et al. 2009), but so does a beard, and both sexes differ.
    """
    if wattle_silence(beard, sex, age_weeks) is not None:
        return np.ones(len(DOSES))
    if size not in WATTLE_WORDS:
        raise ValueError(f"unknown wattle size {size!r}; use small, medium or large")
    bands = [b for b in tables()["wattles"].values() if (age_weeks or 0) >= b["from_weeks"]]
    numbers = max(bands, key=lambda band: float(band["from_weeks"]))
    column = WATTLE_WORDS.index(size)
    by_dose = {0: "pp", 1: "Pp", 2: "PP"}
    return np.array([float(numbers[f"{sex}_{by_dose[pea]}"][column]) for _, pea in DOSES])


def from_sighting(symbol: str, noted: bool | None) -> Array:
    """Return a crest or beard noted, or its absence, as a likelihood (3,) of 2, 1 and 0 copies.

    `None` says nothing. Raises KeyError for a locus that nobody sees on a head.
    """
    if noted is None:
        return np.ones(3)
    seen: Array = np.array(all_loci()[symbol].seen, float)
    return seen if noted else np.asarray(1 - seen)


def with_crest(comb_likelihood: Array) -> Array | None:
    """Return a likelihood of the combs carried to R and P with crest (9, 3), where no crest was
    noted.

    A crest folds single combs, so that a comb read as single or folded couples the loci. None if
    it doesn't: the likelihood tells single and folded apart no more than the rest.
    """
    bare, crested = on_genotypes(comb_likelihood, False), on_genotypes(comb_likelihood, True)
    if np.allclose(bare, crested, rtol=1e-12, atol=0):
        return None
    grown = np.array(all_loci()["Cr"].seen)
    return np.asarray(np.outer(crested, grown) + np.outer(bare, 1 - grown))
