"""Flocks whose combs follow Mendel, with a share of misreads: what the benchmarks work on.

`line`: one cock over ten hens, 25 chicks a hen, parents drawn from the generation before, as many
generations as are needed. `pens`: a cock and six hens, their F1, a back-cross and an intercross,
about 80 birds each. Crests are noted ('told'), not ('blank') or of every other bird ('half').
"""

from __future__ import annotations

import csv
import io
import random
from dataclasses import dataclass, field

from service.flock.flock_csv import COLUMNS, Flock, parse_flock

Genotype = tuple[tuple[int, int], ...]  # copies at R, P and crest
WALNUT: Genotype = ((1, 1), (1, 1), (1, 1))
SINGLE: Genotype = ((0, 0), (0, 0), (0, 0))
READ_AS = ("single", "rose", "single_blade_pea", "triple_pea", "walnut")


@dataclass
class Breeder:
    """Writes birds down, each with a comb as it is read."""

    crest: str
    misread: float
    rng: random.Random
    rows: list[dict[str, str]] = field(default_factory=list)
    genotypes: dict[str, Genotype] = field(default_factory=dict)

    def comb_of(self, genotype: Genotype) -> str:
        """Return the comb as read: mostly the textbook's."""
        rose, pea, crest = (sum(pair) for pair in genotype)
        if self.rng.random() < self.misread:
            return self.rng.choice(READ_AS)
        if rose:
            return "walnut" if pea else "rose"
        if pea:
            triple = (pea == 2) != (self.rng.random() < 0.05)
            return "triple_pea" if triple else "single_blade_pea"
        folded = crest and self.crest != "blank" and self.rng.random() < 0.5
        return "crest_folded_single" if folded else "single"

    def bird(
        self, sire: str = "", dam: str = "", year: int = 2010, sex: str = "", of: Genotype = ()
    ) -> str:
        """Write down a chick of two birds, or a founder of a genotype; returns its band."""
        band = str(len(self.rows) + 1)
        sex = sex or self.rng.choice(["cock", "hen"])
        genotype = of or tuple(
            (self.rng.choice(a), self.rng.choice(b))
            for a, b in zip(self.genotypes[sire], self.genotypes[dam], strict=True)
        )
        self.genotypes[band] = genotype
        noted = {"told": True, "blank": False, "half": self.rng.random() < 0.5}[self.crest]
        seen = not sire or self.rng.random() < 0.7
        row = {"bird": band, "sire": sire, "dam": dam, "sex": sex, "hatched": f"{year}-03-01"}
        if seen:
            row["comb"] = self.comb_of(genotype)
            row["crest"] = ("yes" if any(genotype[2]) else "no") if noted else ""
        self.rows.append(row)
        return band

    def brood(self, sire: str, dams: list[str], chicks: int, year: int) -> dict[str, list[str]]:
        """Write down chicks of every hen; returns their bands by sex."""
        bands = [self.bird(sire, dam, year) for dam in dams for _ in range(chicks)]
        by_sex: dict[str, list[str]] = {"cock": [], "hen": []}
        for band in bands:
            by_sex[self.rows[int(band) - 1]["sex"]].append(band)
        return by_sex

    def founders(self, hens: int) -> tuple[str, list[str]]:
        """Write down a walnut cock and single-combed hens."""
        cock = self.bird(sex="cock", of=WALNUT)
        return cock, [self.bird(sex="hen", of=SINGLE) for _ in range(hens)]


def mendelian_list(
    birds: int,
    crest: str,
    shape: str,
    seed: int,
    misread: float,
    hens: int = 10,
    chicks: int = 25,
) -> str:
    """Return a flock list as text; `hens` and `chicks` a hen are those of a line."""
    breeder = Breeder(crest, misread, random.Random(seed))
    year = 2010
    if shape == "line":
        cock, dams = breeder.founders(hens)
        while len(breeder.rows) < birds:
            year += 1
            young = breeder.brood(cock, dams, chicks, year)
            cock, dams = young["cock"][0], young["hen"][:hens]
    while len(breeder.rows) < birds:
        cock, dams = breeder.founders(6)
        young = breeder.brood(cock, dams, 6, 2011)
        if young["cock"] and len(young["hen"]) > 4:
            more = [breeder.bird(sex="hen", year=2012, of=SINGLE) for _ in range(4)]
            breeder.brood(breeder.rng.choice(young["cock"]), more, 6, 2013)
            breeder.brood(breeder.rng.choice(young["cock"]), young["hen"][:4], 5, 2013)
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, restval="")
    writer.writeheader()
    writer.writerows(breeder.rows[:birds])
    return text.getvalue()


def mendelian_flock(
    birds: int, crest: str = "told", shape: str = "pens", seed: int = 0, misread: float = 0.03
) -> Flock:
    """Return a flock of so many birds."""
    return parse_flock(mendelian_list(birds, crest, shape, seed, misread))
