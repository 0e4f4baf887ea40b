"""Commands about kept records: intake, import, export, backup, restore, verify, trail, undo."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from service import clock
from service.cli.shared import Json, UsageMistake, Weights, app, bar, out, say
from service.settings import from_environment

By = Annotated[str, typer.Option("--by", help="Who does it, for the trail.")]


@app.command()
def intake(
    photos: Annotated[
        list[Path], typer.Argument(help="Folders, photos or ZIP archives.", metavar="PATH...")
    ],
    bird: Annotated[str, typer.Option("--bird", help="All photos are of this band.")] = "",
    pattern: Annotated[
        str, typer.Option(help="How file names tell the band, as 'pen3-{band}-{any}'.")
    ] = "",
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
    """Take photos into the records; given again after a crash, it goes on where it was."""
    from service.installation import open_store
    from service.records.intake.bands import PatternError, pattern_of
    from service.records.intake.journal import Options, run, tidy, told_sweep
    from service.records.intake.sources import files_of
    from service.records.states import REFUSED

    try:
        options = Options(by, original, pattern_of(pattern) if pattern else None, bird)
    except PatternError as error:
        raise UsageMistake(str(error)) from None
    settings = from_environment()
    store = open_store(settings)
    source, files = files_of(photos)
    for line in told_sweep(store, tidy(store)):
        say(line)
    with bar(as_json) as progress:
        task = progress.add_task("taking photos in", total=len(files))

        def told(taken: object) -> None:
            progress.advance(task)
            if as_json:
                print(json.dumps(vars(taken), ensure_ascii=False), flush=True)

        found = run(store, source, files, options, told)
        complaints = [f"{t.name}: {t.message}" for t in found if t.state == REFUSED]
        if reading:
            from service.answers.refresh import refresh
            from service.model import default_reader
            from service.records.intake.read_pending import to_read, unread

            reader = default_reader(weights)
            with store.reading() as session:
                count = len(to_read(session, reader.card.model))
            task = progress.add_task("reading them", total=count)
            complaints += unread(store, reader, None, lambda n: progress.advance(task, n))
            refresh(store, reader.card.prior, clock.today())
    for line in complaints:
        say(line)
    if not as_json:
        states = [t.state for t in found]
        told_states = ", ".join(f"{states.count(s)} {s}" for s in dict.fromkeys(states))
        out.print(f"{len(found)} photos: {told_states or 'nothing new'}", highlight=False)
    if complaints:
        raise typer.Exit(1)


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
    replace: Annotated[
        bool, typer.Option("--replace", help="JSON: in the place of all records that are there.")
    ] = False,
    by: By = "keeper",
    as_json: Json = False,
) -> None:
    """Bring a flock list or a spreadsheet into the records, all of it or nothing."""
    from service.answers.refresh import refresh
    from service.installation import open_store
    from service.records.birds import kept_birds, take_in
    from service.records.database import StoreError
    from service.records.exchange.importing import records_from, rows_from
    from service.records.exchange.mapping import chosen, mapped

    if file.suffix.lower() == ".json":
        store = open_store(from_environment())
        count = records_from(store, file, replace)
        out.print(f"{count} rows", highlight=False)
        return
    rows = rows_from(file)
    columns = chosen(maps or [], rows[0] if rows else [])
    if show or not as_json:
        table = Table("column", "taken for")
        for heading in rows[0] if rows else []:
            table.add_row(heading, columns.get(heading, "kept as it is"))
        out.print(table)
    if show:
        return
    store = open_store(from_environment())
    with store.writing(by, f"flock list {file.name}") as session:
        flock = mapped(rows, columns, str(file), kept_birds(session))
        if not flock.listed:
            raise StoreError(f"{file}: no birds in it")
        count = take_in(session, flock)
    refresh(store, training_prior(), clock.today())
    print(json.dumps({"birds": count})) if as_json else out.print(f"{count} birds", highlight=False)


def training_prior() -> tuple[float, ...]:
    """The prior of the shipped reader, from its card: no network is loaded."""
    from classifier.card import load_card

    return tuple(load_card().prior)


@app.command()
def export(
    file: Annotated[
        Path | None, typer.Argument(help="Where to: .csv, .xlsx, .ods or .json; none is stdout.")
    ] = None,
    form: Annotated[str, typer.Option("--as", help="csv or json, for stdout.")] = "csv",
) -> None:
    """Write the flock list out, or with .json everything but the photos."""
    from service.installation import open_store
    from service.records.backup import whole
    from service.records.exchange.exporting import written

    suffix = file.suffix.lower().lstrip(".") if file else form
    data = written(open_store(from_environment()), suffix)
    if file is None:
        sys.stdout.write(data.decode())
        return
    with whole(file) as draft:
        draft.write_bytes(data)


@app.command()
def backup(
    file: Annotated[Path, typer.Argument(help="The backup to write, a ZIP file.")],
    replace: Annotated[bool, typer.Option("--replace", help="Over an older one.")] = False,
    as_json: Json = False,
) -> None:
    """Write everything into one file with checksums."""
    from service.installation import open_store
    from service.records.backup import backup as write
    from service.records.backup import checked

    if file.exists() and not replace:
        raise UsageMistake(f"{file} is there already; give another name, or --replace")
    store = open_store(from_environment())
    with bar(as_json) as progress:
        task = progress.add_task("writing photos", total=None)
        count = write(store, file, lambda: progress.advance(task))
        checked(file)
    if as_json:
        print(json.dumps({"photos": count, "bytes": file.stat().st_size}))
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
    from service.answers.refresh import refresh
    from service.installation import open_store
    from service.records.backup import restore as bring_back

    store = open_store(from_environment())
    with bar(as_json) as progress:
        task = progress.add_task("bringing photos back", total=None)
        count = bring_back(store, file, replace, lambda: progress.advance(task))
    refresh(store, training_prior(), clock.today())
    if as_json:
        print(json.dumps({"photos": count}))
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
    as_json: Json = False,
) -> None:
    """Check that nothing is missing or damaged."""
    from service.installation import open_store
    from service.records.backup import checked
    from service.records.intake.journal import tidy, told_sweep
    from service.records.verify import verify as check

    with bar(as_json) as progress:
        task = progress.add_task("checking photos", total=None)
        if file is not None:
            names = checked(file, lambda: progress.advance(task))
            count, complaints = len(names), list[str]()
        else:
            store = open_store(from_environment())
            if tidy_up:
                for line in told_sweep(store, tidy(store)):
                    say(line)
            result = check(store, lambda: progress.advance(task))
            count, complaints = result.photos, list(result.complaints)
    if as_json:
        print(json.dumps({"photos": count, "clean": not complaints, "complaints": complaints}))
    for line in complaints:
        say(line)
    if complaints:
        raise typer.Exit(1)
    if not as_json:
        out.print(f"{count} photos and all records are right", highlight=False)


@app.command()
def trail(
    last: Annotated[int, typer.Option(min=1, help="How many acts.")] = 20, as_json: Json = False
) -> None:
    """What was changed in the records, by whom, newest first."""
    from service.installation import open_store
    from service.records.audit_log import acts

    with open_store(from_environment()).reading() as session:
        found = acts(session, last)
    if as_json:
        print(json.dumps([{**vars(a), "made": a.made.isoformat()} for a in found]))
        return
    table = Table("act", "when (UTC)", "by", "what", "rows", "")
    for a in found:
        when = f"{a.made:%Y-%m-%d %H:%M}"
        table.add_row(a.batch[:8], when, a.by, a.act, str(a.changes), "undone" if a.undone else "")
    out.print(table)


@app.command()
def undo(
    act: Annotated[str, typer.Argument(help="The act as `trail` names it.")],
    by: By = "keeper",
    as_json: Json = False,
) -> None:
    """Take back one act, in full or not at all; this too can be undone."""
    from service.answers.refresh import refresh
    from service.installation import open_store
    from service.records.audit_log import named
    from service.records.audit_log import undo as take_back

    store = open_store(from_environment())
    with store.writing(by, f"undone: {act}") as session:
        count = take_back(session, named(session, act))
    refresh(store, training_prior(), clock.today())
    print(json.dumps({"rows": count})) if as_json else out.print(f"{count} rows", highlight=False)


@app.command()
def people(as_json: Json = False) -> None:
    """Who reads photos blind, how far they agree, and how often each of them slips."""
    from service.answers.raters import agreement
    from service.installation import open_store

    with open_store(from_environment()).reading() as session:
        found = agreement(session)
    if as_json:
        print(json.dumps(found.as_json()))
        return
    table = Table("reader", "blind readings", "right, of all combs alike")
    for person in found.people:
        table.add_row(person.name, str(person.readings), f"{person.right_evenly:.0%}")
    out.print(table)
    for a, b, both, alike, kappa in found.pairs:
        told = "not to be told" if kappa is None else f"{kappa:.2f}"
        out.print(f"{a} and {b}: {alike} of {both} alike, Cohen's kappa {told}", highlight=False)
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
    """Leg-band labels or pen sheets with QR codes that `intake` recognises in a photo."""
    from service.documents.labels_pdf import band_sheet, pen_sheets
    from service.installation import open_store
    from service.records.backup import whole

    store = open_store(from_environment())
    with store.reading() as session:
        data = pen_sheets(session) if pens else band_sheet(session, bands)
    with whole(file) as draft:
        draft.write_bytes(data)
    out.print(f"{file}", highlight=False)
