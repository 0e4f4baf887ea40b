"""What conflicts are ascribed to, by arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from service.flock.conflicts import Culprit, by_share


def test_culprits_share_as_their_weights_do_and_the_rare_ones_go():
    # Odds of 60 : 20 : 20 and one in a thousand; logarithms far from 0, as those of a flock are.
    odds = {"sire_wrong": 20.0, "mixed_bands": 60.0, "dam_wrong": 20.0, "misread": 0.1}
    weights = {Culprit(kind, ("7",)): np.log(w) - 900 for kind, w in odds.items()}
    found = by_share(weights)
    assert [f.kind for f in found] == ["mixed_bands", "sire_wrong", "dam_wrong"]
    assert [f.share for f in found] == pytest.approx([60 / 100.1, 20 / 100.1, 20 / 100.1])


def test_no_more_culprits_than_asked_and_none_that_is_impossible():
    weights = {Culprit("dam_wrong", (str(n),)): float(n) / 100 for n in range(9)}
    assert [f.bands for f in by_share(weights)] == [("8",), ("7",), ("6",), ("5",)]
    assert by_share({Culprit("dam_wrong"): -np.inf}) == (Culprit("no_single_slip"),)
