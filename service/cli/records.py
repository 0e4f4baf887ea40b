"""Commands about kept records: intake, import, export, backup, restore, verify, trail, undo."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from service.cli.shared import (
    By,
    Json,
    Weights,
    app,
    bar,
    desk_of,
    out,
    print_array,
    print_json,
    say,
)
from service.errors import UsageMistake
from service.settings import from_environment
from service.wording.sentences import Coded, Message
from service.wording.sentences import say as in_words

if TYPE_CHECKING:
    from rich.progress import Progress

    from service.actions.desk import Desk


@app.command()
def intake(
    photos: Annotated[
        list[Path], typer.Argument(help="Folders, photos or ZIP archives.", metavar="PATH...")
    ],
    bird: Annotated[str, typer.Option("--bird", help="All photos are of this band.")] = "",
    pattern: Annotated[
        str, typer.Option(help="How file names tell the band, as 'pen3-{band}-{any}'.")
    ] = "",
    new: Annotated[
        bool, typer.Option("--new", help="The band of --bird isn't on record yet.")
    ] = False,
    original: Annotated[
        bool, typer.Option("--original", help="Keep files as they are, place and camera included.")
    ] = False,
    by: By = "keeper",
    reading: Annotated[
        bool, typer.Option("--read/--no-read", help="Let the model read what it hasn't read.")
    ] = True,
    weights: Weights = None,
    as_json: Json = False,
) -> None:
    """Take photos into the records; it goes on after a crash."""
    from service.records.corrections import check_known
    from service.records.intake.bands import pattern_of
    from service.records.intake.journal import Options, Taken, describe_sweep, run, tidy
    from service.records.intake.sources import files_of
    from service.records.states import REFUSED

    options = Options(by, original, pattern_of(pattern) if pattern else None, bird)
    desk = desk_of(by)
    store = desk.store
    if bird and not new:
        with store.reading() as session:
            check_known(session, bird)
    source, files = files_of(photos)
    for line in describe_sweep(store, tidy(store)):
        say(in_words(line))
    with bar(as_json) as progress:
        task = progress.add_task("taking photos in", total=len(files))

        def show(taken: Taken) -> None:
            progress.advance(task)
            if as_json:
                print_json("taken", taken.as_json())

        found = run(store, source, files, options, show)
        complaints: list[Coded] = [
            Message("photo_named", name=t.name, why=t.message) for t in found if t.state == REFUSED
        ]
        if reading:
            complaints += read_new(desk, weights, progress)
    if not as_json:
        show_states([taken.state for taken in found])
    end_with(complaints)


def read_new(desk: Desk, weights: Path | None, progress: Progress) -> list[Message]:
    """Read what this model hasn't read, work it in; returns complaints about single photos."""
    from service.actions.readers import ReaderInUse
    from service.records.intake.read_pending import count_to_read, read_pending

    reader = ReaderInUse(desk.store, weights)()
    with desk.store.reading() as session:
        count = count_to_read(session, reader.card.model)
    task = progress.add_task("reading them", total=count)
    complaints = read_pending(desk.store, reader, None, lambda n: progress.advance(task, n))
    replace(desk, prior=reader.card.prior).work_in(None)
    return complaints


def end_with(complaints: Sequence[Coded]) -> None:
    """Say what was complained of; then the command has failed in part."""
    for complaint in complaints:
        say(in_words(complaint))
    if complaints:
        raise typer.Exit(1)


def show_states(states: Sequence[str]) -> None:
    """Print what came of photos."""
    told = ", ".join(f"{states.count(s)} {s}" for s in dict.fromkeys(states))
    out.print(f"{len(states)} photos: {told or 'nothing new'}", highlight=False)


@app.command(name="import")
def bring_in(
    file: Annotated[Path, typer.Argument(help="flock.csv, .xlsx, .ods, or exported .json.")],
    maps: Annotated[
        list[str] | None,
        typer.Option("--map", help="What a column means, as 'Ring No=bird'; repeatable."),
    ] = None,
    show: Annotated[
        bool, typer.Option("--show-columns", help="Only say what each column is taken for.")
    ] = False,
    dates: Annotated[
        str,
        typer.Option(help="Of 3/4/2026 the day or the month first, if the list can't tell."),
    ] = "",
    pens: Annotated[
        str, typer.Option(help="What its column of pens says: lives (there) or eggs (came from).")
    ] = "",
    hatches: Annotated[
        bool, typer.Option("--hatches", help="The birds of one day are a hatch.")
    ] = False,
    parents: Annotated[
        bool, typer.Option("--parents", help="Take in birds that are only named as parents too.")
    ] = False,
    replace_all: Annotated[
        bool, typer.Option("--replace", help="JSON: in the place of all records that are there.")
    ] = False,
    by: By = "keeper",
    as_json: Json = False,
) -> None:
    """Bring a list or spreadsheet in, all of it or nothing."""
    from service.actions.lists import import_records, import_sheet
    from service.records.exchange.importing import sheet_from
    from service.records.exchange.mapping import Choices, choose_columns, dates_are_open

    if file.suffix.lower() == ".json":
        out.print(f"{import_records(desk_of(by), file, replace_all)} rows", highlight=False)
        return
    sheet = sheet_from(file)
    columns = choose_columns(maps or [], sheet.headings)
    choices = Choices(columns, dates, pens, hatches, parents)
    if show or not as_json:
        table = Table("column", "taken for")
        for heading in sheet.headings:
            table.add_row(heading, columns.get(heading, "kept as it is"))
        out.print(table)
        if sheet.note:
            out.print(in_words(sheet.note), highlight=False)
        if dates_are_open(sheet, choices):
            out.print("Days are read with the day first; if not so: --dates month", highlight=False)
    if show:
        return
    _, count = import_sheet(desk_of(by), sheet, choices)
    if as_json:
        print_json("imported", {"birds": count})
    else:
        out.print(f"{count} birds", highlight=False)


@app.command()
def export(
    file: Annotated[
        Path | None, typer.Argument(help="Where to: .csv, .xlsx, .ods or .json; none is stdout.")
    ] = None,
    form: Annotated[str, typer.Option("--as", help="csv or json, for stdout.")] = "csv",
) -> None:
    """Write the flock list out, or everything as .json."""
    from service.actions.lists import export_flock
    from service.installation import open_store
    from service.records.photo_files import write_whole

    suffix = file.suffix.lower().lstrip(".") if file else form
    data = export_flock(open_store(from_environment()), suffix)
    if file is None:
        sys.stdout.write(data.decode())
        return
    write_whole(file, data)


@app.command()
def backup(
    file: Annotated[Path, typer.Argument(help="The backup to write, a ZIP file.")],
    replace: Annotated[bool, typer.Option("--replace", help="Over an older one.")] = False,
    as_json: Json = False,
) -> None:
    """Write everything into one file with checksums."""
    from service.installation import open_store
    from service.records.backup import backup as write
    from service.records.backup import verify_backup

    if file.exists() and not replace:
        raise UsageMistake("file_is_there", file=file)
    store = open_store(from_environment())
    with bar(as_json) as progress:
        task = progress.add_task("writing photos", total=None)
        count = write(store, file, lambda: progress.advance(task))
        verify_backup(file)
    if as_json:
        print_json("backed-up", {"photos": count, "bytes": file.stat().st_size})
    else:
        out.print(f"{count} photos and all records, read back and right: {file}", highlight=False)


@app.command()
def restore(
    file: Annotated[Path, typer.Argument(help="A backup.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="In the place of the records that are there.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Bring a backup back, all of it or nothing."""
    from service.actions.keeping import bring_back

    desk = desk_of()
    with bar(as_json) as progress:
        task = progress.add_task("bringing photos back", total=None)
        count = bring_back(desk, file, replace, lambda: progress.advance(task))
    if as_json:
        print_json("moved", {"photos": count})
    else:
        out.print(f"{count} photos and all records are back", highlight=False)


@app.command()
def verify(
    file: Annotated[
        Path | None, typer.Argument(help="A backup; without one the records themselves.")
    ] = None,
    tidy_up: Annotated[
        bool, typer.Option("--tidy", help="Remove half-written files, move unknown ones aside.")
    ] = False,
    claim: Annotated[
        bool,
        typer.Option("--claim-photos", help="From now on the photo folder is these records'."),
    ] = False,
    as_json: Json = False,
) -> None:
    """Check that nothing is missing or damaged."""
    from service.installation import open_store
    from service.records.backup import verify_backup
    from service.records.identity import take_over
    from service.records.intake.journal import describe_sweep, tidy
    from service.records.verify import verify as check

    with bar(as_json) as progress:
        task = progress.add_task("checking photos", total=None)
        if file is not None:
            names = verify_backup(file, lambda: progress.advance(task))
            count, complaints = len(names), list[Coded]()
        else:
            store = open_store(from_environment())
            if claim:
                take_over(store)
            if tidy_up:
                for line in describe_sweep(store, tidy(store)):
                    say(in_words(line))
            result = check(store, lambda: progress.advance(task))
            count, complaints = result.photos, list(result.complaints)
    if as_json:
        told = list(map(in_words, complaints))
        print_json("verified", {"photos": count, "clean": not told, "complaints": told})
    for complaint in complaints:
        say(in_words(complaint))
    if complaints:
        raise typer.Exit(1)
    if not as_json:
        out.print(f"{count} photos and all records are right", highlight=False)


@app.command()
def move(
    to: Annotated[
        str, typer.Argument(help="The other database, as postgresql://...", metavar="URL")
    ],
    home: Annotated[
        Path | None, typer.Option(help="Another folder for the photos; else they stay.")
    ] = None,
    photos: Annotated[
        str | None,
        typer.Option(help="Object store for the photos, as s3://...; '' for the folder alone."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Move records and photos to another database, verified."""
    from dataclasses import replace as changed

    from service.actions.keeping import move_records
    from service.installation import open_store

    settings = from_environment()
    target = changed(
        settings,
        database=to,
        home=home.resolve() if home else settings.home,
        photo_store=settings.photo_store if photos is None else photos,
    )
    with bar(as_json) as progress:
        task = progress.add_task("copying photos", total=None)
        count = move_records(open_store(settings), target, lambda: progress.advance(task))
    if as_json:
        print_json("moved", {"photos": count})
        return
    out.print(f"{count} photos and all records are there, the same on both sides", highlight=False)
    out.print(f"from now on: COMBWRIGHT_DATABASE={to}", highlight=False, soft_wrap=True)
    if home:
        out.print(f"             COMBWRIGHT_HOME={target.home}", highlight=False, soft_wrap=True)
    if photos is not None:
        line = f"             COMBWRIGHT_PHOTO_STORE={photos}"
        out.print(line, highlight=False, soft_wrap=True)


@app.command()
def trail(
    last: Annotated[int, typer.Option(min=1, help="How many acts.")] = 20, as_json: Json = False
) -> None:
    """List what was changed in the records, newest first."""
    from service.installation import open_store
    from service.records.audit_log import act_json, acts

    with open_store(from_environment()).reading() as session:
        found = acts(session, last)
    if as_json:
        print_array("act", map(act_json, found))
        return
    table = Table("act", "when (UTC)", "by", "what", "rows", "")
    for a in found:
        when = f"{a.made:%Y-%m-%d %H:%M}"
        table.add_row(
            a.name[:8], when, a.by, in_words(a.act), str(a.changes), "undone" if a.undone else ""
        )
    out.print(table)


@app.command()
def undo(
    act: Annotated[str, typer.Argument(help="The act as `trail` names it.")],
    by: By = "keeper",
    as_json: Json = False,
) -> None:
    """Take back one act in full; this too can be undone."""
    from service.actions.lists import undo as take_back

    _, count = take_back(desk_of(by), act)
    if as_json:
        print_json("taken-back", {"rows": count})
    else:
        out.print(f"{count} rows", highlight=False)


@app.command()
def people(as_json: Json = False) -> None:
    """Show who reads photos blind, and how far they agree."""
    from service.answers.raters import agreement
    from service.installation import open_store

    with open_store(from_environment()).reading() as session:
        found = agreement(session)
    if as_json:
        print_json("raters", found.as_json())
        return
    table = Table("reader", "blind readings", "right, of all combs alike")
    for person in found.people:
        table.add_row(person.name, str(person.readings), f"{person.right_evenly:.0%}")
    out.print(table)
    for a, b, both, alike, kappa in found.pairs:
        measure = "not known" if kappa is None else f"{kappa:.2f}"
        out.print(f"{a} and {b}: {alike} of {both} alike, Cohen's kappa {measure}", highlight=False)
    if found.alpha is not None:
        out.print(f"All together: Krippendorff's alpha {found.alpha:.2f}", highlight=False)


@app.command()
def labels(
    file: Annotated[Path, typer.Argument(help="The PDF to write.")],
    bands: Annotated[
        list[str] | None, typer.Option("--bird", help="A band; repeatable. All birds if left out.")
    ] = None,
    pens: Annotated[bool, typer.Option("--pens", help="Pen sheets instead.")] = False,
) -> None:
    """Print leg-band labels or pen sheets with QR codes."""
    from service.documents.labels_pdf import band_sheet, pen_sheets
    from service.installation import open_store
    from service.records.photo_files import write_whole

    store = open_store(from_environment())
    with store.reading() as session:
        data = pen_sheets(session) if pens else band_sheet(session, bands)
    write_whole(file, data)
    out.print(f"{file}", highlight=False)
