"""Commands about photos: read, triage, train, evaluate, serve."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from service.cli.shared import (
    Day,
    Json,
    Weights,
    app,
    bar,
    day_of,
    flock_from,
    out,
    print_json,
    say,
)
from service.errors import NotFound, UsageMistake
from service.settings import from_environment
from service.wording.numbers import percent
from service.wording.sentences import as_data, word
from service.wording.sentences import say as in_words

if TYPE_CHECKING:
    from classifier.photo import PhotoError
    from classifier.reading import Reading
    from service.flock.batch import Batch


class EngineName(StrEnum):
    """Who reads many photos."""

    HERE = "here"
    RAY = "ray"


@app.command()
def read(
    photos: Annotated[
        list[str],
        typer.Argument(
            help="Head photos; - is one from standard input. With --out also folders and URLs.",
            metavar="PHOTO...",
        ),
    ],
    box: Annotated[str, typer.Option("--box", help="Head box X0,Y0,X1,Y1 of the one photo.")] = "",
    boxes: Annotated[
        Path | None, typer.Option("--boxes", help="CSV with columns photo,x0,y0,x1,y1.")
    ] = None,
    all_heads: Annotated[
        bool, typer.Option("--all-heads", help="Every head of each photo, the surest first.")
    ] = False,
    out_place: Annotated[
        str,
        typer.Option(
            "--out",
            help="Folder or URL for Parquet files; what lies there already is gone on with.",
        ),
    ] = "",
    engine: Annotated[
        EngineName, typer.Option(help="With --out: this machine's processes, or Ray's workers.")
    ] = EngineName.HERE,
    address: Annotated[
        str, typer.Option(help="With --engine ray: of a cluster; Ray is started here if left out.")
    ] = "",
    jobs: Annotated[
        int, typer.Option(help="With --out: processes or workers; one a core if left out.", min=0)
    ] = 0,
    gpus: Annotated[
        float, typer.Option(help="With --engine ray: share of a GPU for each worker.", min=0)
    ] = 0.0,
    as_json: Json = False,
    weights: Weights = None,
) -> None:
    """Read head photos: comb, crest, beard, wattles, doubts."""
    if out_place:
        if box or boxes or all_heads:
            raise UsageMistake("out_without_boxes")
        many = Many(photos, out_place, engine, address, jobs, gpus, weights)
        read_many(many, as_json)
        return
    if engine is not EngineName.HERE or address or gpus or jobs:
        raise UsageMistake("engine_without_out")
    read_each([Path(photo) for photo in photos], box, boxes, all_heads, as_json, weights)


@dataclass(frozen=True)
class Many:
    """Photos of any number, and who reads them where to."""

    places: list[str]
    out: str
    engine: EngineName
    address: str
    jobs: int
    gpus: float
    weights: Path | None


def read_many(many: Many, as_json: bool) -> None:
    """Read photos of any number into Parquet files."""
    from service.actions.which_reader import reader_for
    from service.bulk.photo_places import photos_at
    from service.bulk.processes import cores
    from service.bulk.readings import ReaderToLoad, processes, read_parts

    settings = from_environment()
    jobs = many.jobs or cores()
    if many.engine is EngineName.RAY:
        from service.bulk.ray_engine import ray_data

        engine = ray_data(jobs, many.address, many.gpus)
    elif many.address or many.gpus:
        raise UsageMistake("engine_without_out")
    else:
        engine = processes(jobs)
    waiting = photos_at(many.places)
    mine = reader_for(settings, many.weights)
    reader = ReaderToLoad(mine.card.model, many.weights, mine.change, many.gpus > 0)
    with bar(as_json) as progress:
        task = progress.add_task("reading", total=len(waiting))
        done = read_parts(
            waiting,
            many.out,
            reader,
            settings.language,
            engine,
            lambda photos: progress.advance(task, photos),
        )
    if as_json:
        print_json("read", done)
    else:
        out.print(
            f"{done['photos']} photos, {done['unread']} of them unread: {done['folder']}",
            highlight=False,
            soft_wrap=True,
        )
    if done["unread"]:
        raise typer.Exit(1)


def read_each(
    photos: list[Path],
    box: str,
    boxes: Path | None,
    all_heads: bool,
    as_json: bool,
    weights: Path | None,
) -> None:
    """Read photos one after the other and print what they show."""
    from service.flock.boxes_csv import load_boxes, parse_box

    if box and boxes:
        raise UsageMistake("box_and_boxes")
    if box and len(photos) != 1:
        raise UsageMistake("box_for_one_photo")
    if all_heads and (box or boxes):
        raise UsageMistake("all_heads_and_boxes")
    known = load_boxes(boxes) if boxes else {}
    if box:
        known = {str(photos[0]): parse_box(box)}
    from service.actions.which_reader import reader_for
    from service.flock.photo_readings import read_all, read_every_head

    reader = reader_for(from_environment(), weights)
    failed = False
    table = Table("photo", "comb", "confidence", "pile", "doubts")
    with bar(not as_json) as progress:
        task = progress.add_task("reading", total=len(photos))
        for start in range(0, len(photos), 32):
            part = photos[start : start + 32]
            if all_heads:
                found, failures = read_every_head(part, reader, lambda: progress.advance(task))
            else:
                readings, failures = read_all(
                    part, reader.read, known, lambda: progress.advance(task)
                )
                found = {path: [reading] for path, reading in readings.items()}
            wrong = {f.photo: f.error for f in failures}
            failed |= bool(wrong)
            for path in part:
                if path in wrong:
                    show_failure(path, wrong[path], as_json)
                else:
                    show_readings(path, found[path], None if as_json else table)
    if not as_json and table.row_count:
        out.print(table)
    if failed:
        raise typer.Exit(1)


def show_failure(path: Path, error: PhotoError, as_json: bool) -> None:
    """Say why a photo couldn't be read."""
    if as_json:
        row = {"photo": str(path), "ok": False, "error": in_words(error)}
        row["error_code"] = as_data(error.message)
        print_json("unread", row)
    say(f"{path}: {in_words(error)}")


def show_readings(path: Path, readings: Sequence[Reading], table: Table | None) -> None:
    """Add a photo's readings to the table, or print them as JSON without one."""
    for reading in readings:
        answer = reading.as_json(in_words) | {"photo": str(path)}
        if table is None:
            print_json("reading", answer)
            continue
        table.add_row(
            path.name,
            word(answer["proposal"] or ""),
            percent(answer["confidence"]) if answer["proposal"] else "",
            answer["pile"].replace("_", " "),
            "; ".join(answer["doubts"]),
        )


@app.command()
def explain(
    photos: Annotated[list[Path], typer.Argument(help="Head photos.", metavar="PHOTO...")],
    out_dir: Annotated[Path, typer.Option("--out", help="Folder for the pictures.")],
    weights: Weights = None,
) -> None:
    """Show why photos are read as they are."""
    from classifier.errors import ClassifierError
    from classifier.explain import can_explain, panel
    from classifier.photo import PhotoError, open_photo
    from service.actions.which_reader import reader_for
    from service.views.photo_cards import panel_words

    if not can_explain():
        raise ClassifierError("needs_torch")
    reader = reader_for(from_environment(), weights)
    out_dir.mkdir(parents=True, exist_ok=True)
    failed = False
    with bar(False) as progress:
        for path in progress.track(photos, description="explaining"):
            try:
                photo = open_photo(path)
            except PhotoError as error:
                say(f"{path}: {in_words(error)}")
                failed = True
                continue
            reading = reader.read([photo])[0]
            if reading.head.source == "whole":
                say(f"{path}: no head found, so there is nothing to explain")
                failed = True
                continue
            target = out_dir / f"{path.stem}-why.jpg"
            panel(reader, photo, reading, words=panel_words(reading.best)).save(target, quality=90)
            out.print(str(target), highlight=False)
    if failed:
        raise typer.Exit(1)


@app.command()
def triage(
    folder: Annotated[Path, typer.Argument(help="Folder with the batch's photos.")],
    out_dir: Annotated[Path, typer.Option("--out", help="Folder for the table and the report.")],
    flock: Annotated[Path | None, typer.Option("--flock", help="flock.csv.")] = None,
    boxes: Annotated[Path | None, typer.Option("--boxes", help="Head boxes.")] = None,
    on: Day = "",
    as_json: Json = False,
    weights: Weights = None,
) -> None:
    """Sort a batch of photos into piles, worst risk first."""
    from service.flock.batch import photos_in, sort_batch
    from service.flock.boxes_csv import load_boxes
    from service.flock.photo_readings import read_all

    day = day_of(on)
    birds = flock_from(flock) if flock else None
    known = load_boxes(boxes) if boxes else {}
    photos = photos_in(folder)
    if out_dir.exists() and not out_dir.is_dir():
        raise UsageMistake("out_is_a_file", file=out_dir)
    out_dir.mkdir(parents=True, exist_ok=True)
    from service.actions.which_reader import reader_for
    from service.documents.triage_html import summary, write_page, write_table

    reader = reader_for(from_environment(), weights)
    with bar(False) as progress:
        task = progress.add_task("reading photos", total=len(photos))
        readings, failures = read_all(photos, reader.read, known, lambda: progress.advance(task))
        batch = sort_batch(photos, readings, failures, birds, reader.card.prior, day)
        writing = progress.add_task("writing the report", total=len(batch.items))
        write_table(batch, out_dir / "triage.csv")
        write_page(
            batch,
            out_dir / "triage.html",
            folder.resolve().name,
            reader.card.model,
            lambda: progress.advance(writing),
        )
    for failure in failures:
        say(f"{failure.photo}: {in_words(failure.error)}")
    listed = {p for b in (birds.birds if birds else ()) for p in b.photos}
    lost = sorted(listed - {p.name for p in photos})
    for name in lost:
        say(f"{folder / name}: named in the flock list, but not in the folder")
    if as_json:
        print_json("piles", {**summary(batch), "report": str(out_dir / "triage.html")})
    else:
        show_batch(batch, summary(batch), out_dir / "triage.html")
    if failures or lost:
        raise typer.Exit(1)


def show_batch(batch: Batch, counts: dict[str, int], report: Path) -> None:
    """Print what must be looked at again, and how many birds lie in each pile."""
    table = Table("bird", "pile", "comb", "confidence", "why")
    for item in batch.items:
        if item.pile != "settled":
            pile, why = item.pile.replace("_", " "), "; ".join(map(in_words, item.reasons))
            sure = percent(item.sure) if item.sure is not None else ""
            table.add_row(item.bird, pile, word(item.proposal or ""), sure, why)
    if table.row_count:
        out.print(table)
    told = ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in counts.items())
    out.print(f"{len(batch.items)} birds: {told}", highlight=False)
    out.print(f"Report: {report}", highlight=False, soft_wrap=True)


@app.command()
def demo(
    out_dir: Annotated[Path, typer.Option("--out", help="Folder for the report.")] = Path(
        "demo_report"
    ),
    as_json: Json = False,
) -> None:
    """Sort the photos of an invented flock, to see what comes out."""
    from service.actions.demo import DAY, demo_folder

    folder = demo_folder()
    if folder is None:
        raise NotFound("no_demo_here")
    triage(folder, out_dir, folder / "flock.csv", None, DAY, as_json, None)


@app.command()
def train(
    photos: Annotated[Path, typer.Option("--photos", help="Folder with labels.csv.")],
    renders: Annotated[Path, typer.Option("--renders", help="Folder of rendered heads.")],
    out_dir: Annotated[Path, typer.Option("--out", help="Folder for checkpoints and logs.")],
    steps: Annotated[int, typer.Option(help="Steps of the final reader.")] = 3000,
    folds: Annotated[int, typer.Option(help="Folds of the cross-validation.")] = 5,
    batch: Annotated[int, typer.Option(help="Pictures in a batch.")] = 96,
    seed: Annotated[int, typer.Option(help="Random seed.")] = 0,
    teachers: Annotated[
        int,
        typer.Option(help="Readers of each part, from whose mean the one that is kept learns."),
    ] = 2,
    jobs: Annotated[int, typer.Option(help="Trainings at a time.")] = 1,
) -> None:
    """Train the reader and the finder from their inputs."""
    if steps < 1 or batch < 2 or folds < 2 or teachers < 0 or jobs < 1:
        raise UsageMistake("training_options")
    from classifier.training.pipeline import train_all

    with bar(False) as progress:

        def told(name: str) -> Callable[[int, float], None]:
            task = progress.add_task(name, total=None)
            return lambda step, loss: progress.update(
                task, completed=step, description=f"{name}, step {step}, loss {loss:.3f}"
            )

        train_all(photos, renders, out_dir, steps, folds, batch, seed, teachers, jobs, told)
    out.print(f"Weights and card: {out_dir / 'weights'}", highlight=False)


@app.command()
def evaluate(
    photos: Annotated[Path, typer.Option("--photos", help="Folder with labels.csv.")],
    out_dir: Annotated[Path, typer.Option("--out", help="Folder for scores and plots.")],
    renders: Annotated[Path | None, typer.Option("--renders", help="Rendered heads.")] = None,
    weights: Weights = None,
    crests: Annotated[
        Path | None, typer.Option("--crests", help="Crested single combs, rendered.")
    ] = None,
    shots: Annotated[
        Path | None, typer.Option("--shots", help="Several renders of each bird.")
    ] = None,
    into_card: Annotated[
        bool, typer.Option("--into-card", help="Write the scores into the card as well.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Measure the reader on data that it never saw."""
    from classifier.training.evaluation import evaluate_all

    with bar(as_json) as progress:
        scores = evaluate_all(photos, renders, out_dir, weights, into_card, progress, crests, shots)
    if as_json:
        print_json("scores", scores)
        return
    for name, values in scores.items():
        table = Table(name, "")
        for key, value in values.items():
            if not isinstance(value, (dict, list)):
                table.add_row(key.replace("_", " "), str(value))
        out.print(table)
