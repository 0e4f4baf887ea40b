"""A cross of two genotypes as JSON and as tables for people."""

from __future__ import annotations

from dataclasses import asdict
from fractions import Fraction
from typing import Any

from rich.table import Table

from genetics.cross import Cross, cross
from genetics.linkage import Number
from genetics.punnett import Grid, Working, grid, working


def plain(value: Any) -> Any:
    """Return the same with fractions as floats and tuples as lists."""
    if isinstance(value, Fraction):
        return float(value)
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return value


def cross_answer(sire: str, dam: str, with_grid: bool, with_working: bool) -> dict[str, Any]:
    """Return the contract's JSON object, with grid and working on request."""
    result = cross(sire, dam)
    rows = []
    for o in result.offspring:
        row = {"genotype": o.genotype, "probability": float(o.probability), "comb": o.comb}
        if o.shows:
            row["shows"] = list(o.shows)
        if not o.hatches:
            row["hatches"] = False
        rows.append(row)
    answer: dict[str, Any] = {"offspring": rows, "combs": plain(result.combs)}
    if result.lost:
        answer["lost"] = float(result.lost)
    if result.phase_unknown:
        answer["phase_unknown"] = list(result.phase_unknown)
    if with_grid:
        answer["grid"] = plain(asdict(grid(sire, dam)))
    if with_working:
        answer["working"] = plain(asdict(working(sire, dam)))
    return answer


def fraction(value: Number) -> str:
    """Return a fraction as people write it; a decimal where its denominator is unwieldy."""
    exact = Fraction(value)
    if exact.denominator == 1:
        return str(exact.numerator)
    return f"{exact}" if exact.denominator <= 256 else f"{float(exact):.4f}"


def spoken(comb: str | None) -> str:
    """Return a comb word for people."""
    return (comb or "").replace("_", " ")


def cross_lines(sire: str, dam: str, with_grid: bool, with_working: bool) -> list[Table | str]:
    """Tables and lines for the screen."""
    result = cross(sire, dam)
    table = Table("genotype", "share", "", "comb", "also")
    for o in result.offspring:
        also = ", ".join(o.shows) if o.hatches else "dies in the egg"
        share = f"{float(o.probability):.1%}"
        table.add_row(o.genotype, fraction(o.probability), share, spoken(o.comb), also)
    found: list[Table | str] = [table, *notes(result)]
    if with_grid:
        found.append(grid_table(grid(sire, dam)))
    if with_working:
        found += working_lines(working(sire, dam))
    return found


def notes(result: Cross) -> list[str]:
    """Return what to say below the table of a cross."""
    found = []
    if result.combs:
        parts = (f"{fraction(p)} {spoken(c)}" for c, p in result.combs.items())
        found.append("Combs: " + ", ".join(parts))
    if result.lost:
        found.append(f"{fraction(result.lost)} of the embryos die; combs are of those that hatch.")
    for who in result.phase_unknown:
        found.append(
            f"Which alleles of the {who} lie on one chromosome wasn't written: all ways are taken "
            "as equally likely. Write them side by side, as in 'P O/p+ o+'."
        )
    return found


def grid_table(made: Grid) -> Table:
    """Return the Punnett grid, the hen's gametes across."""
    table = Table("cock \\ hen", *(f"{g.alleles} ({fraction(g.probability)})" for g in made.dam))
    for gamete, row in zip(made.sire, made.cells, strict=True):
        cells = (f"{c.genotype}\n{spoken(c.comb)}".strip() for c in row)
        table.add_row(f"{gamete.alleles} ({fraction(gamete.probability)})", *cells)
    return table


def working_lines(made: Working) -> list[Table | str]:
    """Return the multiplication method in lines."""
    found: list[Table | str] = []
    for part in made.parts:
        chicks = ", ".join(f"{fraction(c.probability)} {c.genotype}" for c in part.chicks)
        found.append(f"{part.sire} x {part.dam} gives {chicks}")
    for product in made.products:
        factors = " x ".join(f"{fraction(f.probability)} {f.genotype}" for f in product.factors)
        found.append(f"{spoken(product.result)}: {factors} = {fraction(product.probability)}")
    if made.lost:
        lost = " and ".join(f"{fraction(s.probability)} {s.genotype}" for s in made.lost)
        found.append(
            f"Of all embryos {lost} die in the egg: shares among the chicks are those of the "
            "living, divided by what is left."
        )
    return found
