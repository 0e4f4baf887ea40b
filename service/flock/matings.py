"""Test matings and counts of chicks, from words to answers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from functools import lru_cache
from typing import Any

import numpy as np

from genetics.combs import founder_prior, tables
from genetics.counts import better_parents, fit
from genetics.evidence import from_genotype
from genetics.genotype import NAMES
from genetics.kinship import Parentage, kinship
from genetics.planning import Mating, Pen, PlanRequest, Ranking, pens, rank
from genetics.rates import Rates
from genetics.testmating import (
    after_scoring,
    best_testers,
    chick_by_chick,
    plan,
    question,
    tells_by_peas,
)
from service.flock.evidence import Array, evidence_of
from service.flock.flock_csv import Flock
from service.flock.inference import Inference, infer_flock, parentage_of
from service.wording.language import current
from service.wording.sentences import Coded, Message, as_data, say


@dataclass(frozen=True)
class Subject:
    """A bird to be tested or a mate: its name and probabilities (9,)."""

    name: str
    chances: Array
    caution: Message | None = None
    """What an approximate answer must say of itself."""


def subject_of_genotype(genotype: str) -> Subject:
    """Return a bird known by its genotype; open alleles are as common as among founders."""
    prior = founder_prior() * from_genotype(genotype)
    return Subject(genotype, prior / prior.sum())


@dataclass(frozen=True)
class KnownFlock:
    """Birds with what is known of each, from a list or from the records."""

    flock: Flock
    chances: Array
    """Probabilities (birds, 9)."""
    parentage: Mapping[int, Parentage]
    """By row, parents that are one of several."""
    caution: Message | None = None
    """What an approximate answer must say of itself."""
    gone: frozenset[str] = frozenset()
    """Bands that no mating is planned with."""

    @property
    def subjects(self) -> dict[str, Subject]:
        """Every bird by its band, as test matings take it."""
        return {
            b.bird: Subject(b.bird, self.chances[i], self.caution)
            for i, b in enumerate(self.flock.birds)
        }

    def rows(self, sex: str) -> list[int]:
        """Return the rows of one sex that matings may be planned with."""
        return [
            i for i, b in enumerate(self.flock.birds) if b.sex == sex and b.bird not in self.gone
        ]


def known_list(flock: Flock, on: date) -> KnownFlock:
    """Return the birds of a flock list with all that the list says."""
    found = from_list(flock, on)
    parentage = parentage_of(flock, found)
    return KnownFlock(flock, found.combs.marginals, parentage, found.caution)


def from_list(flock: Flock, on: date) -> Inference:
    """Posteriors from a flock list alone, without photos."""
    return infer_flock(flock, [evidence_of(b, (), [1 / 6] * 6, on) for b in flock.birds])


def testers(
    flock: Flock, birds: dict[str, Subject], bird: str, asked: str
) -> list[tuple[str, float]]:
    """Birds of the other sex as testers of a bird, the best first."""
    sex = {b.bird: b.sex for b in flock.birds}
    mates = {
        band: subject.chances
        for band, subject in birds.items()
        if band != bird and sex[band] and sex[band] != sex[bird]
    }
    return best_testers(birds[bird].chances, mates, asked)


def mating_test(
    bird: Subject,
    mate: Subject,
    asked: str,
    certainty: float,
    rates: Rates,
    scored: Sequence[str],
) -> dict[str, Any]:
    """Return a test mating worked out, and where it stands after the chicks scored so far."""
    worked = plan(bird.chances, mate.chances, asked, certainty, rates)
    answer: dict[str, Any] = {
        "bird": bird.name,
        "asked": worked.locus,
        "caution": sentence(bird.caution or mate.caution or by_peas(bird, mate, asked)),
        "mate": mate.name,
        "carrier_before": worked.carrier_before,
        "telling_chick": worked.telling,
        "certainty": certainty,
        "chicks": worked.chicks,
        "eggs": worked.eggs,
        "expected_chicks": worked.expected_chicks,
        "carrier_if_none_tells": worked.carrier_if_none,
        "scored": dict(Counter(scored)),
        "carrier_now": None,
        "chick_by_chick": [],
        "genotypes_now": None,
    }
    if scored:
        steps = chick_by_chick(bird.chances, mate.chances, asked, scored)
        now = after_scoring(bird.chances, mate.chances, Counter(scored))
        answer["carrier_now"] = steps[-1].carrier
        answer["chick_by_chick"] = [asdict(step) for step in steps]
        answer["genotypes_now"] = dict(zip(NAMES, now.tolist(), strict=True))
    return answer


def by_peas(bird: Subject, mate: Subject, asked: str) -> Message | None:
    """Return what to mind where only blade against triple pea tells; None elsewhere."""
    carriers = np.flatnonzero(bird.chances * question(asked).carrier)
    likeliest = int(np.argmax(mate.chances))
    if any(tells_by_peas(int(g), likeliest, asked) for g in carriers):
        return Message("tells_by_peas")
    return None


def mating_test_rows(answer: dict[str, Any]) -> list[tuple[str, str]]:
    """Return the answer as lines for people."""
    hidden = {"R": "carries r+", "P": "carries p+"}.get(answer["asked"], f"isn't {answer['asked']}")
    rows = [
        (f"chance that it {hidden}", f"{answer['carrier_before']:.0%}"),
        ("chance that one chick of such a bird tells", f"{answer['telling_chick']:.0%}"),
        (f"chicks for {answer['certainty']:.0%} certainty", str(answer["chicks"])),
        ("eggs to set (9 times in 10 enough)", str(answer["eggs"])),
        ("chicks scored on average until decided", f"{answer['expected_chicks']:.1f}"),
        (f"still {hidden} if none of them tells", f"{answer['carrier_if_none_tells']:.1%}"),
    ]
    for step in answer["chick_by_chick"]:
        comb = step["comb"].replace("_", " ")
        rows.append((f"after chick {step['chick']}, {comb}", f"{step['carrier']:.1%}"))
    return rows


def counts_test(sire: Subject, dam: Subject, counts: dict[str, int]) -> dict[str, Any]:
    """Return counts against a mating, and the parents that would fit them best.

    Parents whose genotype is open are tested at their likeliest one, and the fitting genotypes are
    listed with what their records say of them. Known ones that fit poorly are weighed against all
    others, as common as among founders.
    """
    likeliest = [NAMES[int(np.argmax(who.chances))] for who in (sire, dam)]
    result = fit(likeliest[0], likeliest[1], counts)
    is_open = any(who.chances.max() < 1 - 1e-9 for who in (sire, dam))
    pairs = []
    if is_open:
        pairs = better_parents(counts, sire.chances, dam.chances)
    elif result.p_value < 0.05:
        # What is taken as known may be wrong, though not as often as a comb is misread.
        slip = float(tables()["person"]["wrong_genotype"])
        first, second = (who.chances * (1 - slip) + founder_prior() * slip for who in (sire, dam))
        pairs = better_parents(counts, first, second)
    return {
        "caution": sentence(sire.caution or dam.caution),
        "sire": likeliest[0],
        "dam": likeliest[1],
        "classes": [
            {"comb": c, "observed": o, "expected": e}
            for c, o, e in zip(result.classes, result.observed, result.expected, strict=True)
        ],
        "method": result.method,
        "p_value": result.p_value,
        "verdict": say(result.verdict),
        "verdict_code": as_data(result.verdict),
        "better_parents": [
            {"sire": p.sire, "dam": p.dam, "probability": p.probability} for p in pairs
        ],
    }


def ranked_matings(known: KnownFlock, request: PlanRequest) -> Ranking:
    """All cock x hen pairs, the best first."""
    return rank(
        known.chances,
        kinship(known.flock.sire, known.flock.dam, known.parentage),
        known.rows("cock"),
        known.rows("hen"),
        request,
    )


def sentence(message: Coded | None) -> str:
    """Return a sentence in the language at hand, empty for none."""
    return say(message) if message else ""


@lru_cache(maxsize=4096)
def words_and_codes(
    language: str, cautions: tuple[Coded, ...]
) -> tuple[tuple[str, ...], tuple[dict[str, Any], ...]]:
    """Return cautions as sentences and as data; thousands of pairs share a few of them.

    `language` is the one at hand: a part of the key, as sentences differ by it.
    """
    return tuple(say(c) for c in cautions), tuple(as_data(c) for c in cautions)


def as_row(planned: Mating | Pen, names: Sequence[str]) -> dict[str, Any]:
    """Return a pair or pen as a JSON object: birds by band, cautions as sentences and codes."""
    row = {k: v for k, v in vars(planned).items() if k != "cautions"}
    row["sire"] = names[planned.sire]
    said, codes = words_and_codes(current.get(), planned.cautions)
    if isinstance(planned, Pen):
        row |= {"dams": [names[d] for d in planned.dams], "cautions": list(said)}
    else:
        row |= {"dam": names[planned.dam], "caution": "; ".join(said)}
    return row | {"caution_codes": list(codes)}


def as_rows(
    planned: Sequence[Mating | Pen], flock: Flock, caution: Message | None
) -> list[dict[str, Any]]:
    """Return pairs or pens as JSON objects, each with what makes the whole approximate."""
    names = [b.bird for b in flock.birds]
    common = {"approximate": sentence(caution)}
    return [as_row(p, names) | common for p in planned]


def mating_plan(
    known: KnownFlock, request: PlanRequest, most: int | None = None
) -> list[dict[str, Any]]:
    """Cock x hen pairs as JSON objects, the best first, so many at most."""
    return as_rows(ranked_matings(known, request).best(most), known.flock, known.caution)


def pen_plan(
    known: KnownFlock, hens: int, request: PlanRequest, most: int | None = None
) -> list[dict[str, Any]]:
    """Each cock with his best hens as JSON objects, the best first, so many at most."""
    found = pens(ranked_matings(known, request), hens, request)[:most]
    return as_rows(found, known.flock, known.caution)
