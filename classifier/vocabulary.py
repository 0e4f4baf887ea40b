"""The words of a reading: comb classes, their coarse groups, wattle sizes, piles."""

from __future__ import annotations

COMBS = ("single", "crest_folded_single", "rose", "single_blade_pea", "triple_pea", "walnut")
NONE = "none_of_these"
WATTLES = ("none", "small", "medium", "large")
PILES = ("settled", "second_look", "new_photo")

# What a label in a data set allows; blade and triple pea can't be told on small photographs.
ALLOWED = {
    **{comb: (comb,) for comb in COMBS},
    "pea": ("single_blade_pea", "triple_pea"),
    "single_or_folded": ("single", "crest_folded_single"),
}
COARSE = {
    "single": ("single", "crest_folded_single"),
    "rose": ("rose",),
    "pea": ("single_blade_pea", "triple_pea"),
    "walnut": ("walnut",),
}
SPOKEN = {
    "single": "single",
    "crest_folded_single": "crest-folded single",
    "rose": "rose",
    "single_blade_pea": "single-blade pea",
    "triple_pea": "triple pea",
    "walnut": "walnut",
}


def coarse_of(label: str) -> str | None:
    """Return coarse comb that holds a label's classes, or None for none-of-these and unclear."""
    allowed = ALLOWED.get(label)
    return next((g for g, m in COARSE.items() if allowed and set(allowed) <= set(m)), None)
