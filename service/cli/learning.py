"""`combwright learn` and `combwright reader`: a reader that learns from the flock, and its use."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from service.cli.shared import (
    By,
    Day,
    Json,
    app,
    bar,
    day_of,
    desk_of,
    out,
    print_array,
    print_json,
)
from service.settings import from_environment
from service.wording.sentences import from_data, with_sentence
from service.wording.sentences import say as in_words

if TYPE_CHECKING:
    from service.actions.desk import Desk


def told(found: dict[str, Any]) -> dict[str, Any]:
    """Return a reader that learned, with sentences in words."""
    return {**found, "against": [with_sentence(from_data(reason)) for reason in found["against"]]}


def show_trial(found: dict[str, Any]) -> None:
    """Print how a reader did on birds that it didn't learn from."""
    table = Table(
        "comb", "heads", "found before", "found after", "watched renders, before", "after"
    )
    for comb, (before, after, count) in found["found"].items():
        was, now, watched = found["watched"].get(comb, (0, 0, 0))
        table.add_row(
            comb, str(count), str(before), str(after), f"{was} of {watched}", f"{now} of {watched}"
        )
    out.print(table)
    before, after = found["balanced_accuracy"]
    out.print(
        f"{found['birds']} birds, {found['photos']} photos; on birds it didn't learn from it finds "
        f"{after:.1%} of the combs instead of {before:.1%}, all combs alike.",
        highlight=False,
        soft_wrap=True,
    )
    for reason in found["against"]:
        out.print(f"  {in_words(from_data(reason))}", highlight=False, soft_wrap=True)


@app.command()
def learn(by: By = "keeper", on: Day = "", as_json: Json = False) -> None:
    """Let the reader learn from the flock's confirmed birds, and try it."""
    from service.actions.learning import learn as learn_from_flock
    from service.model import default_reader

    desk = replace(desk_of(by), on=day_of(on))
    with bar(as_json) as progress:
        task = progress.add_task("learning", total=None)
        found = learn_from_flock(
            desk,
            from_environment(),
            default_reader(),
            lambda done, steps: progress.update(task, completed=done, total=steps),
        )
    if as_json:
        print_json("learned", told(found))
        return
    show_trial(found)
    name = found["name"]
    if found["better"]:
        out.print(f"It is better. Let it read: combwright reader --use {name}", highlight=False)
    else:
        out.print(f"It is kept as {name}, and isn't used: the reader stays.", highlight=False)


@app.command()
def reader(
    use: Annotated[
        str, typer.Option("--use", help="Name of the one that is to read; 'shipped' goes back.")
    ] = "",
    again: Annotated[
        bool, typer.Option("--again", help="Read photos of other readers again, beside theirs.")
    ] = False,
    by: By = "keeper",
    as_json: Json = False,
) -> None:
    """List the readers that learned from the flock, or take one."""
    from service.actions.readers import ReaderInUse, all_readers, take_reader

    desk = desk_of(by)
    current = ReaderInUse(desk.store)
    if use:
        take_reader(desk, use, current.base)
    if again:
        read_old(desk, current)
    found = all_readers(desk.store)
    if as_json:
        print_array("learned", [told(one) for one in found])
        return
    out.print(f"in use: {current().card.model}", highlight=False)
    table = Table("name", "birds", "photos", "before", "after", "better", "in use")
    for one in found:
        before, after = one["balanced_accuracy"]
        table.add_row(
            one["name"], str(one["birds"]), str(one["photos"]), f"{before:.1%}", f"{after:.1%}",
            "yes" if one["better"] else "no", "yes" if one["in_use"] else "",
        )  # fmt: skip
    out.print(table)


def read_old(desk: Desk, current: Any) -> None:
    """Read the photos of other readers again."""
    from service.actions.readers import read_again
    from service.cli.records import end_with

    with bar(False) as progress:
        task = progress.add_task("reading again", total=None)
        complaints = read_again(desk, current(), lambda n: progress.advance(task, n))
    end_with(complaints)
