"""Commands about genetics: cross, candidates, test-mating, counts, plan."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from service.commands.shared import Day, Json, UsageMistake, app, day_of, out


@app.command()
def cross(
    sire: Annotated[str, typer.Argument(help="Genotype such as 'R/r+ P/p+'.")],
    dam: Annotated[str, typer.Argument(help="Genotype of the hen.")],
    with_grid: Annotated[bool, typer.Option("--grid", help="Show the Punnett grid.")] = False,
    with_working: Annotated[
        bool, typer.Option("--working", help="Show how it is multiplied out.")
    ] = False,
    as_json: Json = False,
) -> None:
    """What a mating gives: genotypes and combs of the chicks, at any loci.

    Linked loci: write what lies on one chromosome side by side, 'R/r+; P O/p+ o+'.
    """
    from service.crosses import cross_answer, cross_lines

    answer = cross_answer(sire, dam, with_grid, with_working)
    if as_json:
        print(json.dumps(answer))
        return
    for piece in cross_lines(sire, dam, with_grid, with_working):
        out.print(piece, highlight=False)


@app.command()
def candidates(
    flock: Annotated[Path, typer.Argument(help="flock.csv.")],
    on: Day = "",
    as_json: Json = False,
) -> None:
    """Genotype candidates of every bird from the flock list alone."""
    from service.candidates import candidates as work_out
    from service.flock import load_flock

    day = day_of(on)
    found = work_out(load_flock(flock), {}, [1 / 6] * 6, day)
    if as_json:
        print(json.dumps([c.as_json() for c in found], ensure_ascii=False))
        return
    table = Table("bird", "likeliest genotypes", "comb", "conflict")
    for c in found:
        ranked = sorted(c.genotypes.items(), key=lambda item: -item[1])[:3]
        best = max(c.combs, key=c.combs.__getitem__)
        names = ", ".join(f"{g} {p:.0%}" for g, p in ranked if p >= 0.02)
        table.add_row(c.bird, names, best.replace("_", " "), c.conflict or "")
    out.print(table)


@app.command(name="test-mating")
def mating_test_command(
    bird: Annotated[str, typer.Argument(help="Genotype with ? for what is open: 'R/? P/?'.")],
    mate: Annotated[str, typer.Argument(help="Known genotype of the mate.")] = "r+/r+ p+/p+",
    locus: Annotated[str, typer.Option(help="R or P: which recessive may be hidden.")] = "R",
    certainty: Annotated[float, typer.Option(help="Wanted certainty.")] = 0.95,
    fertility: Annotated[float, typer.Option(help="Share of eggs that are fertile.")] = 0.85,
    hatch: Annotated[float, typer.Option(help="Share of fertile eggs that hatch.")] = 0.80,
    rearing: Annotated[float, typer.Option(help="Share of chicks that live to be scored.")] = 0.90,
    scored: Annotated[
        list[str] | None, typer.Option("--scored", help="Chicks so far, as walnut=5; repeatable.")
    ] = None,
    as_json: Json = False,
) -> None:
    """How many chicks and eggs tell whether a bird hides a recessive; chicks scored so far."""
    from service.matings import mating_test, mating_test_rows

    answer = mating_test(
        bird, mate, locus, certainty, (fertility, hatch, rearing), counted(scored or [])
    )
    if as_json:
        print(json.dumps(answer))
        return
    table = Table(f"test mating of {bird} with {answer['mate']}", "")
    for name, value in mating_test_rows(answer):
        table.add_row(name, value)
    out.print(table)


@app.command()
def counts(
    sire: Annotated[str, typer.Argument(help="Genotype of the cock.")],
    dam: Annotated[str, typer.Argument(help="Genotype of the hen.")],
    chicks: Annotated[list[str], typer.Argument(help="Chicks by comb, as walnut=5 single=2.")],
    as_json: Json = False,
) -> None:
    """Whether parents can have thrown the chicks counted, and which would fit better."""
    from service.matings import counts_test

    answer = counts_test(sire, dam, counted(chicks))
    if as_json:
        print(json.dumps(answer))
        return
    table = Table("comb", "counted", "expected")
    for row in answer["classes"]:
        table.add_row(row["comb"].replace("_", " "), str(row["observed"]), f"{row['expected']:.1f}")
    out.print(table)
    out.print(f"{answer['method']}, p = {answer['p_value']:.3g}: {answer['verdict']}.")
    for pair in answer["better_parents"]:
        out.print(f"  {pair['probability']:.0%}  {pair['sire']}  x  {pair['dam']}", highlight=False)


@app.command()
def plan(
    flock: Annotated[Path, typer.Argument(help="flock.csv, with the sex of each bird.")],
    goal: Annotated[
        str, typer.Option(help="Chicks wanted: walnut, true-breeding (R/R P/P), no-single.")
    ] = "walnut",
    keepers: Annotated[int, typer.Option(help="How many of them.")] = 4,
    certainty: Annotated[float, typer.Option(help="How surely.")] = 0.9,
    fertility: Annotated[float, typer.Option(help="Share of eggs that are fertile.")] = 0.85,
    hatch: Annotated[float, typer.Option(help="Share of fertile eggs that hatch.")] = 0.80,
    rearing: Annotated[float, typer.Option(help="Share of chicks that live to be scored.")] = 0.90,
    most: Annotated[int, typer.Option(min=1, help="Pairs shown in the table.")] = 15,
    on: Day = "",
    as_json: Json = False,
) -> None:
    """All cock x hen pairs: what the chicks would be, how inbred, how many eggs to set."""
    from service.flock import load_flock
    from service.matings import mating_plan

    day = day_of(on)
    rates = (fertility, hatch, rearing)
    pairs = mating_plan(load_flock(flock), goal, keepers, rates, certainty, day)
    if as_json:
        print(json.dumps(pairs))
        return
    table = Table("cock", "hen", goal, "single", "R/R P/P", "inbred", "eggs", "mind")
    notes: list[str] = []
    for pair in pairs[:most]:
        eggs = "none would do" if pair["eggs"] is None else str(pair["eggs"])
        if pair["eggs_if_less_fertile"]:
            eggs += f" to {pair['eggs_if_less_fertile']}"
        shares = [f"{pair[k]:.0%}" for k in ("keepers", "single", "true_breeding")]
        inbred = f"{pair['inbreeding']:.1%}"
        marks = []
        for note in filter(None, pair["caution"].split("; ")):
            if note not in notes:
                notes.append(note)
            marks.append(f"({notes.index(note) + 1})")
        table.add_row(pair["sire"], pair["dam"], *shares, inbred, eggs, " ".join(marks))
    out.print(table)
    for number, note in enumerate(notes, start=1):
        out.print(f"({number}) {note}", highlight=False)
    out.print(
        f"Eggs for {keepers} chicks that meet the goal, {certainty:.0%} sure. Parents are taken as "
        "independent given the records, which for close relatives is an approximation.",
        highlight=False,
    )


@app.command()
def strategies(
    eggs: Annotated[int, typer.Option(help="Eggs set for each hatch that is tested.")] = 40,
    fertility: Annotated[float, typer.Option(help="Share of eggs that are fertile.")] = 0.85,
    hatch: Annotated[float, typer.Option(help="Share of fertile eggs that hatch.")] = 0.80,
    rearing: Annotated[float, typer.Option(help="Share of chicks that live to be scored.")] = 0.90,
    runs: Annotated[int, typer.Option(help="How often each one is played.")] = 1000,
    seed: Annotated[int, typer.Option(help="Random seed.")] = 0,
    as_json: Json = False,
) -> None:
    """From one R/R P/P cock and single-combed hens to a proven pair: the ways compared."""
    import numpy as np

    from genetics.strategy import cheapest, simulate, table

    rng = np.random.default_rng(seed)
    rates = (fertility, hatch, rearing)
    found = [simulate(name, eggs, rates, runs, rng) for name in table()["strategies"]]
    best = cheapest(found)
    if as_json:
        rows = [asdict(o) for o in found]
        print(json.dumps({"strategies": rows, "cheapest": best.name if best else None}))
        return
    shown = Table("way", "pair proven", "truly pure", "seasons", "eggs", "inbred", "variety")
    for o in found:
        ranges = (f"{low:.0f} to {high:.0f} ({mid:.0f})" for low, mid, high in (o.seasons, o.eggs))
        shown.add_row(
            o.name.replace("-", " "),
            f"{o.proven:.0%}",
            f"{o.truly_pure:.0%}",
            *ranges,
            f"{o.inbreeding:.1%}",
            f"{o.variety:.0%}",
        )
    out.print(shown)
    for o in found:
        out.print(f"{o.name.replace('-', ' ')}: {o.words}", highlight=False)
    out.print(
        "Seasons and eggs: 8 runs in 10 lie between, the median in brackets. Inbred: chicks of the "
        "pair. Variety: share of its blood that is of the single-combed birds.",
        highlight=False,
    )
    if best:
        out.print(f"Fewest eggs: {best.words} (proven in {best.proven:.0%}).", highlight=False)


def counted(words: list[str]) -> dict[str, int]:
    """Arguments such as `walnut=5` to counts by comb."""
    found: dict[str, int] = {}
    for word in words:
        name, _, number = word.partition("=")
        if not number.strip().isdecimal():
            raise UsageMistake(f"{word!r}: write a comb and its chicks, such as walnut=5")
        if name in found:
            raise UsageMistake(f"{name!r} is counted twice")
        found[name] = int(number)
    return found
