"""Commands that plan: matings of the birds at hand, ways over generations."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from service.cli.breeding import (
    Fertility,
    HatchRate,
    Rearing,
    known_birds,
    on_record,
    rates_from,
    say_cautions,
)
from service.cli.shared import Day, Json, app, bar, out, print_array, print_json
from service.wording.numbers import percent
from service.wording.sentences import Message, from_data, say

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from genetics.planning import PlanRequest


@app.command()
def plan(
    flock: Annotated[
        Path | None,
        typer.Argument(help="flock.csv, with each bird's sex; the birds on record if left out."),
    ] = None,
    goal: Annotated[
        str,
        typer.Option(
            help="Chicks wanted: walnut, true-breeding (R/R P/P), no-single, or a genotype."
        ),
    ] = "walnut",
    keepers: Annotated[int, typer.Option(help="How many of them.")] = 4,
    certainty: Annotated[float, typer.Option(help="How surely.")] = 0.9,
    fertility: Fertility = None,
    hatch: HatchRate = None,
    rearing: Rearing = None,
    pen: Annotated[
        int | None, typer.Option(help="Hens in a pen: plan pens instead of pairs.")
    ] = None,
    most: Annotated[
        int | None,
        typer.Option(min=1, help="Pairs to show; 15 in the table and 1,000 in JSON if left out."),
    ] = None,
    on: Day = "",
    as_json: Json = False,
) -> None:
    """Rank pairs or pens: chicks, inbreeding, eggs to set."""
    from genetics.planning import PlanRequest
    from service.flock.matings import mating_plan, pen_plan

    request = PlanRequest(goal, keepers, certainty, rates_from(fertility, hatch, rearing))
    with bar(as_json) as progress:
        progress.add_task("weighing the matings", total=None)
        known = known_birds(flock, on)
        shown = most or (1000 if as_json else 15)
        if pen is None:
            rows = mating_plan(known, request, shown)
        else:
            rows = pen_plan(known, pen, request, shown)
    if as_json:
        print_array("planned", rows)
    else:
        show_plan(rows, request, pens=pen is not None)


def show_plan(rows: list[dict[str, Any]], request: PlanRequest, pens: bool) -> None:
    """Print a plan as a table, with what to mind below it."""
    hens = "hens" if pens else "hen"
    table = Table("cock", hens, request.goal, "single", "R/R P/P", "inbred", "eggs", "mind")
    notes: list[str] = []
    for row in rows:
        eggs = "none would do" if row["eggs"] is None else str(row["eggs"])
        if row["eggs_if_less_fertile"]:
            eggs += f" to {row['eggs_if_less_fertile']}"
        shares = [percent(row[k]) for k in ("keepers", "single", "true_breeding")]
        marks = []
        for note in map(say, map(from_data, row["caution_codes"])):
            if note not in notes:
                notes.append(note)
            marks.append(f"({notes.index(note) + 1})")
        dams = ", ".join(row["dams"]) if pens else row["dam"]
        inbred = f"{row['inbreeding']:.1%}"
        table.add_row(row["sire"], dams, *shares, inbred, eggs, " ".join(marks))
    out.print(table)
    say_cautions(*(row["approximate"] for row in rows))
    for number, note in enumerate(notes, start=1):
        out.print(f"({number}) {note}", highlight=False)
    out.print(
        f"Eggs for {request.keepers} chicks that meet the goal, {request.certainty:.0%} sure. "
        "Parents are taken as independent given the records, which for close relatives is an "
        "approximation.",
        highlight=False,
    )


@app.command()
def strategies(
    eggs: Annotated[int, typer.Option(help="Eggs set for each hatch that is tested.")] = 40,
    fertility: Fertility = None,
    hatch: HatchRate = None,
    rearing: Rearing = None,
    runs: Annotated[int, typer.Option(help="How often each one is simulated.")] = 1000,
    seed: Annotated[int, typer.Option(help="Random seed.")] = 0,
    from_records: Annotated[
        bool, typer.Option("--from-records", help="Begin with the birds that are on record.")
    ] = False,
    on: Day = "",
    as_json: Json = False,
) -> None:
    """Compare ways to a proven true-breeding pair."""
    import numpy as np

    from genetics.strategies import cheapest, simulate, table

    at_hand = on_record(on, birds_on_record) if from_records else {}
    rng = np.random.default_rng(seed)
    rates = rates_from(fertility, hatch, rearing)
    found = []
    with bar(as_json) as progress:
        for name in progress.track(list(table()["strategies"]), description="simulating"):
            found.append(simulate(name, eggs, rates, runs, rng, at_hand.keys()))
    best = cheapest(found)
    if as_json:
        rows = [asdict(o) for o in found]
        cheap = best.name if best else None
        print_json("strategies", {"strategies": rows, "cheapest": cheap})
        return
    shown = Table("way", "pair proven", "true-breeding", "seasons", "eggs", "inbred", "variety")
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
        out.print(f"{o.name.replace('-', ' ')}: {way(o.name)}", highlight=False)
    out.print(
        "Seasons and eggs: 8 runs in 10 lie between, the median in brackets. Inbred: chicks of the "
        "pair. Variety: share of its blood that is of the single-combed birds.",
        highlight=False,
    )
    if best:
        out.print(f"Fewest eggs: {way(best.name)} (proven in {best.proven:.0%}).", highlight=False)


def birds_on_record(session: Session) -> dict[str, list[str]]:
    """Return the birds on record that a way may begin with."""
    from service.views.at_hand import birds_at_hand

    return birds_at_hand(session)


def way(name: str) -> str:
    """Return a strategy in words."""
    return say(Message(f"way_{name}"))
