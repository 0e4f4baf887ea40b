"""Commands that write down: the second opinion on a bird, the report of a hatch."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.cli.shared import Day, Json, app, day_of, out, print_json
from service.settings import from_environment
from service.wording.sentences import Coded, Message, say


@app.command()
def opinion(
    bird: Annotated[str, typer.Argument(help="The bird's band.")],
    mate: Annotated[str, typer.Option(help="Band of the mate that is planned.")] = "",
    file: Annotated[Path | None, typer.Option("--out", help="Write a sheet (PDF).")] = None,
    on: Day = "",
    as_json: Json = False,
) -> None:
    """Write the second opinion on a bird."""
    from classifier.card import SHIPPED, load_card
    from service.documents.opinion_pdf import opinion_sheet
    from service.flock.assessment import told_combs
    from service.installation import open_store
    from service.records.photo_files import write_whole
    from service.views.second_opinion import CLOSING_LINES, named_combs
    from service.views.second_opinion import opinion as work_out

    store = open_store(from_environment())
    with store.reading() as session:
        told = work_out(session, bird, load_card(SHIPPED).document, day_of(on), mate)
    if file:
        write_whole(file, opinion_sheet(told, store.photo))
    if as_json:
        print_json("opinion", told.as_json())
        return
    if file:
        out.print(f"{file}", highlight=False)
        return
    combs = named_combs(told_combs(told.candidate.combs))
    lines: list[Coded] = [Message("opinion_comb", combs=combs), *told.reasons]
    if told.wrong:
        like, count = told.wrong.like, told.wrong.in_hundred
        lines.append(Message("opinion_wrong", like=like, count=count))
    lines += [Message("opinion_unknown", what=u) for u in told.unknown]
    lines += [Message("opinion_step", what=s.says) for s in told.steps]
    lines += [Message("opinion_met", what=m) for m in told.rule.by]
    lines += [Message("opinion_missing", what=m) for m in told.rule.missing]
    lines += [Message("opinion_caution", what=c) for c in told.cautions]
    for line in (*lines, *CLOSING_LINES):
        out.print(say(line), highlight=False)


@app.command()
def report(
    hatch: Annotated[str, typer.Argument(help="The hatch by its name.")],
    folder: Annotated[Path, typer.Option("--out", help="Folder for PDF, CSV and calendar.")],
    on: Day = "",
    as_json: Json = False,
) -> None:
    """Write the report of a hatch: PDF, CSV and calendar."""
    from service.documents.grow_out_pdf import batch_sheet
    from service.installation import open_store
    from service.records.photo_files import write_whole
    from service.views.grow_out import as_calendar, as_csv
    from service.views.grow_out import as_json as told_json
    from service.views.grow_out import report as work_out

    store = open_store(from_environment())
    with store.reading() as session:
        told = work_out(session, hatch, day_of(on))
    folder.mkdir(parents=True, exist_ok=True)
    parts = {
        "grow-out.pdf": batch_sheet(told, store.photo),
        "grow-out.csv": as_csv(told).encode(),
        "look-again.ics": as_calendar(told),
    }
    for name, data in parts.items():
        write_whole(folder / name, data)
    if as_json:
        print_json("grow-out", told_json(told))
    else:
        out.print(f"{folder}: {', '.join(parts)}", highlight=False)
