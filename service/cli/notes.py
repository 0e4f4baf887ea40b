"""`combwright note ...`: what a keeper writes down by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from service import clock
from service.cli.shared import UsageMistake, app, out
from service.settings import from_environment

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

note = typer.Typer(no_args_is_help=True, help="Write down pens, hatches, chicks, sightings.")
app.add_typer(note, name="note")
By = Annotated[str, typer.Option("--by", help="Who writes it down.")]
Birds = Annotated[list[str] | None, typer.Option("--bird", help="A band; repeatable.")]


def day(text: str, option: str) -> date | None:
    """A date option that may be left out."""
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageMistake(f"{option} {text!r} is no date; write YYYY-MM-DD") from None


def yes_no(text: str, option: str) -> bool | None:
    """A yes or no that may be left out."""
    if text not in ("", "yes", "no"):
        raise UsageMistake(f"{option} {text!r}: write yes or no")
    return {"": None, "yes": True, "no": False}[text]


def written(by: str, act: str, work: Callable[[Session], Sequence[str]]) -> None:
    """Do `work` in a session that writes, and work it into the answers of the bands it returns."""
    from service.answers.refresh import refresh
    from service.cli.records import training_prior
    from service.installation import open_store
    from service.records.birds import kept_flock

    store = open_store(from_environment())
    with store.writing(by, act) as session:
        touched = work(session)
        kept_flock(session)  # what doesn't fit the other records is refused
    if touched:
        refresh(store, training_prior(), clock.today(), touched)
    out.print(act, highlight=False)


@note.command(name="pen")
def pen_note(
    name: Annotated[str, typer.Argument(help="The pen.")],
    bands: Birds = None,
    since: Annotated[str, typer.Option(help="From this day, YYYY-MM-DD.")] = "",
    until: Annotated[str, typer.Option(help="To this day; left out while they are there.")] = "",
    leaving: Annotated[bool, typer.Option("--leave", help="They leave on --until.")] = False,
    by: By = "keeper",
) -> None:
    """Birds that live in a pen, so that its hatches know their possible parents."""
    from service.records.entries import moved_in, moved_out

    first, last = day(since, "--since"), day(until, "--until")

    def work(session: Session) -> Sequence[str]:
        if leaving:
            moved_out(session, name, bands or [], last or clock.today())
        else:
            moved_in(session, name, bands or [], first, last)
        return bands or []

    written(by, f"pen {name}: {', '.join(bands or []) or 'made'}", work)


@note.command(name="hatch")
def hatch_note(
    name: Annotated[str, typer.Argument(help="The hatch.")],
    pen: Annotated[str, typer.Option(help="Where its eggs come from.")] = "",
    hatched: Annotated[str, typer.Option(help="Day of hatching, YYYY-MM-DD.")] = "",
    eggs: Annotated[int | None, typer.Option(min=0, help="Eggs set.")] = None,
    chicks: Annotated[int | None, typer.Option(min=0, help="Chicks hatched.")] = None,
    bands: Birds = None,
    by: By = "keeper",
) -> None:
    """A hatch and the birds that came from it."""
    from service.records.entries import hatch

    when = day(hatched, "--hatched")

    def work(session: Session) -> Sequence[str]:
        hatch(session, name, pen, when, eggs, chicks, bands or [])
        return bands or []

    written(by, f"hatch {name}", work)


@note.command(name="chicks")
def chicks_note(
    sire: Annotated[str, typer.Argument(help="Band of the cock.")],
    dam: Annotated[str, typer.Argument(help="Band of the hen.")],
    chicks: Annotated[list[str], typer.Argument(help="Chicks by comb, as walnut=5 single=2.")],
    test: Annotated[bool, typer.Option("--test", help="They are from a test mating.")] = False,
    started: Annotated[str, typer.Option(help="Day the mating began, YYYY-MM-DD.")] = "",
    by: By = "keeper",
) -> None:
    """Chicks counted by comb without bands."""
    from service.cli.breeding import counted as parsed
    from service.records.entries import counted

    found, when = parsed(chicks), day(started, "--started")

    def work(session: Session) -> Sequence[str]:
        counted(session, sire, dam, found, by, "test" if test else "breeding", when)
        return [sire, dam]

    written(by, f"chicks of {sire} x {dam}: {' '.join(chicks)}", work)


@note.command(name="sighting")
def sighting_note(
    band: Annotated[str, typer.Argument(help="The bird.")],
    crest: Annotated[str, typer.Option(help="yes or no")] = "",
    beard: Annotated[str, typer.Option(help="yes or no")] = "",
    wattles: Annotated[str, typer.Option(help="small, medium or large")] = "",
    on: Annotated[str, typer.Option(help="Day it was seen; today if left out.")] = "",
    by: By = "keeper",
) -> None:
    """Crest, beard and wattles as seen on the bird."""
    from service.records.entries import sighted

    seen = yes_no(crest, "--crest"), yes_no(beard, "--beard")
    when = day(on, "--on") or clock.today()

    def work(session: Session) -> Sequence[str]:
        sighted(session, band, by, *seen, wattles, when)
        return [band]

    written(by, f"seen on bird {band}", work)


@note.command(name="decision")
def decision_note(
    band: Annotated[str, typer.Argument(help="The bird.")],
    choice: Annotated[str, typer.Argument(help="What is decided; a wrong word lists them all.")],
    reason: Annotated[str, typer.Option(help="Why.")] = "",
    recheck: Annotated[str, typer.Option(help="Day to look again, YYYY-MM-DD.")] = "",
    by: By = "keeper",
) -> None:
    """What the keeper decided about a bird; it can be taken back with `undo`."""
    from service.records.entries import decided

    when = day(recheck, "--recheck")

    def work(session: Session) -> Sequence[str]:
        decided(session, band, by, choice, reason, when)
        return []

    written(by, f"bird {band}: {choice}", work)
