"""`combwright note ...`: what a keeper writes down by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from service.cli.shared import By, app, day, desk_of, out
from service.errors import UsageMistake
from service.wording.sentences import say

if TYPE_CHECKING:
    from service.actions.desk import Act

note = typer.Typer(no_args_is_help=True, help="Write down what was seen, hatched, moved, decided.")
app.add_typer(note, name="note")
Birds = Annotated[list[str] | None, typer.Option("--bird", help="A band; repeatable.")]
KEEPER = "keeper"


def yes_no(text: str, option: str) -> bool | None:
    """Return a yes or no that may be left out. Raises UsageMistake."""
    if text not in ("", "yes", "no"):
        raise UsageMistake("not_yes_or_no", option=option, text=text)
    return {"": None, "yes": True, "no": False}[text]


def show(act: Act) -> None:
    """Say what was done."""
    out.print(say(act.said), highlight=False)


@note.command(name="pen")
def pen_note(
    name: Annotated[str, typer.Argument(help="The pen.")],
    bands: Birds = None,
    since: Annotated[str, typer.Option(help="From this day, YYYY-MM-DD.")] = "",
    until: Annotated[str, typer.Option(help="To this day; left out while they are there.")] = "",
    leaving: Annotated[bool, typer.Option("--leave", help="They leave on --until.")] = False,
    by: By = KEEPER,
) -> None:
    """Note who lives in a pen: possible parents of its hatches."""
    from service.actions.flock import move_into_pen, move_out_of_pen

    first, last = day(since, "--since"), day(until, "--until")
    if leaving:
        show(move_out_of_pen(desk_of(by), name, bands or [], last))
    else:
        show(move_into_pen(desk_of(by), name, bands or [], first, last))


@note.command(name="hatch")
def hatch_note(
    name: Annotated[str, typer.Argument(help="The hatch.")],
    pen: Annotated[str, typer.Option(help="Where its eggs come from.")] = "",
    hatched: Annotated[str, typer.Option(help="Day of hatching, YYYY-MM-DD.")] = "",
    eggs: Annotated[int | None, typer.Option(min=0, help="Eggs set.")] = None,
    chicks: Annotated[int | None, typer.Option(min=0, help="Chicks hatched.")] = None,
    bands: Birds = None,
    by: By = KEEPER,
) -> None:
    """Note a hatch and the birds that came from it."""
    from service.actions.flock import note_hatch

    when = day(hatched, "--hatched")
    show(note_hatch(desk_of(by), name, pen, when, eggs, chicks, bands or []))


@note.command(name="chicks")
def chicks_note(
    sire: Annotated[str, typer.Argument(help="Band of the cock.")],
    dam: Annotated[str, typer.Argument(help="Band of the hen.")],
    chicks: Annotated[list[str], typer.Argument(help="Chicks by comb, as walnut=5 single=2.")],
    test: Annotated[bool, typer.Option("--test", help="They are from a test mating.")] = False,
    started: Annotated[str, typer.Option(help="Day the mating began, YYYY-MM-DD.")] = "",
    by: By = KEEPER,
) -> None:
    """Note chicks counted by comb, without bands."""
    from service.actions.flock import count_chicks
    from service.cli.breeding import parse_counts

    found, when = parse_counts(chicks), day(started, "--started")
    purpose = "test" if test else "breeding"
    show(count_chicks(desk_of(by), sire, dam, found, purpose, when))


@note.command(name="comb")
def comb_note(
    photo: Annotated[str, typer.Argument(help="The photo's name, or its SHA-256.")],
    comb: Annotated[str, typer.Argument(help="What is seen; left out for 'can't tell'.")] = "",
    blind: Annotated[
        bool, typer.Option("--blind", help="Seen before what anybody else read.")
    ] = False,
    by: By = KEEPER,
) -> None:
    """Note the comb that somebody sees on a photo."""
    from service.actions.observations import observe_comb

    show(observe_comb(desk_of(by), photo, comb, blind=blind))


@note.command(name="photo")
def photo_note(
    photo: Annotated[str, typer.Argument(help="The photo's name, or its SHA-256.")],
    band: Annotated[str, typer.Argument(help="The bird on it; left out for nobody yet.")] = "",
    new: Annotated[bool, typer.Option("--new", help="The bird isn't on record yet.")] = False,
    by: By = KEEPER,
) -> None:
    """Note which bird is on a photo."""
    from service.actions.photos import assign_photo

    show(assign_photo(desk_of(by), photo, band, new=new))


@note.command(name="sighting")
def sighting_note(
    band: Annotated[str, typer.Argument(help="The bird.")],
    crest: Annotated[str, typer.Option(help="yes or no")] = "",
    beard: Annotated[str, typer.Option(help="yes or no")] = "",
    wattles: Annotated[str, typer.Option(help="small, medium or large")] = "",
    on: Annotated[str, typer.Option(help="Day it was seen; today if left out.")] = "",
    by: By = KEEPER,
) -> None:
    """Note crest, beard and wattles as seen on a bird."""
    from service.actions.observations import note_sighting

    seen = yes_no(crest, "--crest"), yes_no(beard, "--beard")
    show(note_sighting(desk_of(by), band, *seen, wattles, day(on, "--on")))


@note.command(name="bird")
def bird_note(
    band: Annotated[str, typer.Argument(help="The bird.")],
    new: Annotated[bool, typer.Option("--new", help="It isn't on record yet.")] = False,
    sex: Annotated[str | None, typer.Option(help="cock, hen, or empty")] = None,
    hatched: Annotated[str | None, typer.Option(help="YYYY-MM-DD, or empty")] = None,
    sire: Annotated[str | None, typer.Option(help="A band, '12 or 14', or empty")] = None,
    dam: Annotated[str | None, typer.Option(help="A band, '13 or 15', or empty")] = None,
    genotype: Annotated[str | None, typer.Option(help="As R/r+ P/p+, or empty")] = None,
    variety: Annotated[str | None, typer.Option(help="Its variety.")] = None,
    notes: Annotated[str | None, typer.Option(help="Notes.")] = None,
    by: By = KEEPER,
) -> None:
    """Note a new bird, or put facts of one right."""
    from service.actions.birds import correct_bird, write_down_bird

    given = {
        "sex": sex,
        "sire": sire,
        "dam": dam,
        "genotype": genotype,
        "variety": variety,
        "notes": notes,
    }
    facts: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    if hatched is not None:
        facts["hatched"] = day(hatched, "--hatched")
    act = write_down_bird if new else correct_bird
    show(act(desk_of(by), band, facts))


@note.command(name="band")
def band_note(
    band: Annotated[str, typer.Argument(help="The band on record.")],
    other: Annotated[str, typer.Argument(help="The one that the bird really carries.")],
    by: By = KEEPER,
) -> None:
    """Give a bird another band, wherever it is named."""
    from service.actions.birds import rename_bird

    show(rename_bird(desk_of(by), band, other))


@note.command(name="swap")
def swap_note(
    one: Annotated[str, typer.Argument(help="A bird.")],
    other: Annotated[str, typer.Argument(help="The bird whose band was mixed up with it.")],
    by: By = KEEPER,
) -> None:
    """Let two birds change places in the pedigree."""
    from service.actions.birds import swap_bands

    show(swap_bands(desk_of(by), one, other))


@note.command(name="decision")
def decision_note(
    band: Annotated[str, typer.Argument(help="The bird.")],
    choice: Annotated[str, typer.Argument(help="What is decided; a wrong word lists them all.")],
    reason: Annotated[str, typer.Option(help="Why.")] = "",
    recheck: Annotated[str, typer.Option(help="Day to look again, YYYY-MM-DD.")] = "",
    by: By = KEEPER,
) -> None:
    """Note what was decided about a bird; `undo` takes it back."""
    from service.actions.flock import decide

    show(decide(desk_of(by), band, choice, reason, day(recheck, "--recheck")))
