"""Test matings and counts of chicks, from words to answers."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np

from genetics.combs import founder_prior
from genetics.counts import better_parents, fit
from genetics.evidence import from_genotype
from genetics.genotype import NAMES, index_of
from genetics.kinship import kinship
from genetics.planning import matings
from genetics.testmating import after_scoring, plan, question
from service.candidates import evidence_of, posterior_of
from service.flock import Flock


def mating_test(
    bird: str,
    mate: str,
    locus: str,
    certainty: float,
    rates: tuple[float, float, float],
    scored: dict[str, int],
) -> dict[str, Any]:
    """A test mating of a bird whose open alleles are as common as among founders."""
    prior = founder_prior() * from_genotype(bird)
    prior = prior / prior.sum()
    worked = plan(prior, index_of(mate), locus, certainty, rates)
    answer: dict[str, Any] = {
        "locus": worked.locus,
        "mate": worked.mate,
        "carrier_before": worked.carrier_before,
        "telling_chick": worked.telling,
        "certainty": certainty,
        "chicks": worked.chicks,
        "eggs": worked.eggs,
        "expected_chicks": worked.expected_chicks,
        "carrier_if_none_tells": worked.carrier_if_none,
        "scored": scored,
        "carrier_now": None,
        "genotypes_now": None,
    }
    if scored:
        now = after_scoring(prior, np.eye(len(NAMES))[index_of(mate)], scored)
        asked = question(locus)
        share = now[(asked.carrier + asked.pure) > 0].sum()
        answer["carrier_now"] = float((now * asked.carrier).sum() / share)
        answer["genotypes_now"] = dict(zip(NAMES, now.tolist(), strict=True))
    return answer


def mating_test_rows(answer: dict[str, Any]) -> list[tuple[str, str]]:
    """The answer as lines for people."""
    hidden = {"R": "r+", "P": "p+"}[answer["locus"]]
    rows = [
        (f"chance that it carries {hidden}", f"{answer['carrier_before']:.0%}"),
        ("chance that one chick of a carrier tells", f"{answer['telling_chick']:.0%}"),
        (f"chicks for {answer['certainty']:.0%} certainty", str(answer["chicks"])),
        ("eggs to set (9 times in 10 enough)", str(answer["eggs"])),
        ("chicks scored on average until decided", f"{answer['expected_chicks']:.1f}"),
        ("still a carrier if none of them tells", f"{answer['carrier_if_none_tells']:.1%}"),
    ]
    if answer["carrier_now"] is not None:
        told = ", ".join(f"{n} {c.replace('_', ' ')}" for c, n in answer["scored"].items())
        rows.append((f"carrier after {told}, misreads allowed", f"{answer['carrier_now']:.1%}"))
    return rows


def counts_test(sire: str, dam: str, counts: dict[str, int]) -> dict[str, Any]:
    """Counts against a mating, and the parents that would fit them best."""
    result = fit(sire, dam, counts)
    prior = founder_prior()
    pairs = better_parents(counts, prior, prior) if result.p_value < 0.05 else []
    return {
        "classes": [
            {"comb": c, "observed": o, "expected": e}
            for c, o, e in zip(result.classes, result.observed, result.expected, strict=True)
        ],
        "method": result.method,
        "p_value": result.p_value,
        "verdict": result.verdict,
        "better_parents": [
            {"sire": p.sire, "dam": p.dam, "probability": p.probability} for p in pairs
        ],
    }


def mating_plan(
    flock: Flock,
    goal: str,
    keepers: int,
    rates: tuple[float, float, float],
    certainty: float,
    on: date,
) -> list[dict[str, Any]]:
    """All cock x hen pairs of a flock list, the best first."""
    evidence = [evidence_of(b, (), [1 / 6] * 6, on) for b in flock.birds]
    posterior, _ = posterior_of(flock, evidence, founder_prior())
    rows = range(len(flock.birds))
    ranked = matings(
        posterior.marginals,
        kinship(flock.sire, flock.dam),
        [i for i in rows if flock.birds[i].sex == "cock"],
        [i for i in rows if flock.birds[i].sex == "hen"],
        goal,
        keepers,
        rates,
        certainty,
    )
    return [
        {
            "sire": flock.birds[m.sire].bird,
            "dam": flock.birds[m.dam].bird,
            "keepers": m.keepers,
            "walnut": m.walnut,
            "single": m.single,
            "true_breeding": m.true_breeding,
            "inbreeding": m.inbreeding,
            "eggs": m.eggs,
            "eggs_if_less_fertile": m.eggs_if_less_fertile,
            "caution": m.caution,
        }
        for m in ranked
    ]
