"""The command line: read, triage, cross, candidates, train, evaluate, serve.

Errors are one line on stderr that says what is wrong and what to do. Exit 2 for a usage error,
1 if any input failed (the others are still done), 0 otherwise. Commands that need no network
import no torch.
"""

from __future__ import annotations

import json
import sys
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Reads chicken combs from head photos and works out rose and pea genotypes.",
)
out = Console()
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Weights = Annotated[
    Path | None, typer.Option("--weights", help="Folder with other weights and their card.")
]
Day = Annotated[str, typer.Option("--on", help="Day for ages, YYYY-MM-DD; today if left out.")]


class UsageMistake(ValueError):
    """A command that can't be done as it was given (exit 2)."""


def say(line: str) -> None:
    """One line on stderr."""
    print(f"combwright: {' '.join(line.split())}", file=sys.stderr)


def day_of(text: str) -> date:
    """A date option."""
    if not text:
        return date.today()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageMistake(f"--on {text!r} is no date; write YYYY-MM-DD") from None


def bar(quiet: bool) -> Progress:
    """A progress bar on stderr, none when piped."""
    console = Console(stderr=True)
    return Progress(console=console, disable=quiet or not console.is_terminal, transient=True)


@app.command()
def read(
    photos: Annotated[list[Path], typer.Argument(help="Head photos.", metavar="PHOTO...")],
    box: Annotated[str, typer.Option("--box", help="Head box X0,Y0,X1,Y1 of the one photo.")] = "",
    boxes: Annotated[
        Path | None, typer.Option("--boxes", help="CSV with columns photo,x0,y0,x1,y1.")
    ] = None,
    as_json: Json = False,
    weights: Weights = None,
) -> None:
    """Read head photos: comb, crest, beard, wattles, doubts and the pile."""
    from service.boxes import load_boxes, parse_box

    if box and boxes:
        raise UsageMistake("give --box or --boxes, not both")
    if box and len(photos) != 1:
        raise UsageMistake("--box goes with one photo; use --boxes for several")
    known = load_boxes(boxes) if boxes else {}
    if box:
        known = {str(photos[0]): parse_box(box)}
    from service.reading import default_reader
    from service.triage import read_all

    reader = default_reader(weights)
    failed = False
    table = Table("photo", "comb", "confidence", "pile", "doubts")
    with bar(not as_json) as progress:
        task = progress.add_task("reading", total=len(photos))
        for start in range(0, len(photos), 32):
            part = photos[start : start + 32]
            readings, failures = read_all(part, reader.read, known, lambda: progress.advance(task))
            wrong = {f.photo: f.error for f in failures}
            for path in part:
                if path in wrong:
                    failed = True
                    if as_json:
                        row = {"photo": str(path), "ok": False, "error": wrong[path]}
                        print(json.dumps(row, ensure_ascii=False), flush=True)
                    say(f"{path}: {wrong[path]}")
                    continue
                answer = readings[path].as_json() | {"photo": str(path)}
                if as_json:
                    print(json.dumps(answer, ensure_ascii=False), flush=True)
                else:
                    table.add_row(
                        path.name,
                        (answer["proposal"] or "can't tell").replace("_", " "),
                        f"{answer['confidence']:.0%}",
                        answer["pile"].replace("_", " "),
                        "; ".join(answer["doubts"]),
                    )
    if not as_json and table.row_count:
        out.print(table)
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
    """Sort a batch: settled, second look, new photo; worst risk first."""
    from service.boxes import load_boxes
    from service.flock import load_flock
    from service.triage import photos_in, read_all, sort_batch

    day = day_of(on)
    birds = load_flock(flock) if flock else None
    known = load_boxes(boxes) if boxes else {}
    photos = photos_in(folder)
    if out_dir.exists() and not out_dir.is_dir():
        raise UsageMistake(f"--out {out_dir} is a file; give a folder")
    out_dir.mkdir(parents=True, exist_ok=True)
    from service.reading import default_reader
    from service.report import summary, write_page, write_table

    reader = default_reader(weights)
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
        say(f"{failure.photo}: {failure.error}")
    listed = {p for b in (birds.birds if birds else ()) for p in b.photos}
    lost = sorted(listed - {p.name for p in photos})
    for name in lost:
        say(f"{folder / name}: named in the flock list, but not in the folder")
    counts = summary(batch)
    if as_json:
        print(json.dumps({**counts, "report": str(out_dir / "triage.html")}))
    else:
        table = Table("bird", "pile", "comb", "confidence", "why")
        for item in batch.items:
            if item.pile != "settled":
                comb = (item.proposal or "can't tell").replace("_", " ")
                table.add_row(
                    item.bird,
                    item.pile.replace("_", " "),
                    comb,
                    f"{item.confidence:.0%}",
                    "; ".join(item.reasons),
                )
        if table.row_count:
            out.print(table)
        told = ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in counts.items())
        out.print(f"{len(batch.items)} birds: {told}", highlight=False)
        out.print(f"Report: {out_dir / 'triage.html'}", highlight=False, soft_wrap=True)
    if failures or lost:
        raise typer.Exit(1)


@app.command()
def cross(
    sire: Annotated[str, typer.Argument(help="Genotype such as 'R/r+ P/p+'.")],
    dam: Annotated[str, typer.Argument(help="Genotype of the hen.")],
    as_json: Json = False,
) -> None:
    """What a mating gives: genotypes and combs of the chicks."""
    from genetics.cross import cross as crossed

    result = crossed(sire, dam)
    if as_json:
        rows = [
            {"genotype": o.genotype, "probability": float(o.probability), "comb": o.comb}
            for o in result.offspring
        ]
        combs = {c: float(p) for c, p in result.combs.items()}
        print(json.dumps({"offspring": rows, "combs": combs}))
        return
    table = Table("genotype", "share", "", "comb")
    for o in result.offspring:
        share = f"{float(o.probability):.1%}"
        table.add_row(o.genotype, fraction(o.probability), share, o.comb.replace("_", " "))
    out.print(table)
    parts = (f"{fraction(p)} {c.replace('_', ' ')}" for c, p in result.combs.items())
    out.print("Combs: " + ", ".join(parts), highlight=False)


def fraction(value: Fraction) -> str:
    """A fraction as people write it."""
    return str(value.numerator) if value.denominator == 1 else f"{value}"


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


@app.command()
def train(
    photos: Annotated[Path, typer.Option("--photos", help="Folder with labels.csv.")],
    renders: Annotated[Path, typer.Option("--renders", help="Folder of rendered heads.")],
    out_dir: Annotated[Path, typer.Option("--out", help="Folder for checkpoints and logs.")],
    steps: Annotated[int, typer.Option(help="Steps of the final reader.")] = 2800,
    folds: Annotated[int, typer.Option(help="Folds of the cross-validation.")] = 5,
    batch: Annotated[int, typer.Option(help="Pictures in a batch.")] = 96,
    seed: Annotated[int, typer.Option(help="Random seed.")] = 0,
) -> None:
    """Pack the data, cross-validate, train reader and finder; resumable."""
    if steps < 1 or batch < 2 or folds < 2:
        raise UsageMistake("--steps must be 1 or more, --batch and --folds 2 or more")
    from classifier.building import train_all

    with bar(False) as progress:
        train_all(photos, renders, out_dir, steps, folds, batch, seed, progress)
    out.print(f"Weights and card: {out_dir / 'weights'}", highlight=False)


@app.command()
def evaluate(
    photos: Annotated[Path, typer.Option("--photos", help="Folder with labels.csv.")],
    out_dir: Annotated[Path, typer.Option("--out", help="Folder for scores and plots.")],
    renders: Annotated[Path | None, typer.Option("--renders", help="Rendered heads.")] = None,
    weights: Weights = None,
    into_card: Annotated[
        bool, typer.Option("--into-card", help="Write the scores into the card as well.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Measure the reader on the split `check` and on renders kept from training."""
    from classifier.evaluation import evaluate_all

    with bar(as_json) as progress:
        scores = evaluate_all(photos, renders, out_dir, weights, into_card, progress)
    if as_json:
        print(json.dumps(scores))
        return
    for name, values in scores.items():
        table = Table(name, "")
        for key, value in values.items():
            if not isinstance(value, (dict, list)):
                table.add_row(key.replace("_", " "), str(value))
        out.print(table)


@app.command()
def serve(
    host: Annotated[
        str, typer.Option(help="Address; 0.0.0.0 lets a phone reach it.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535)] = 8000,
    weights: Weights = None,
) -> None:
    """Run the web page; records are kept in COMBWRIGHT_HOME."""
    import uvicorn

    from service.web.application import create

    out.print(f"Combwright on http://{host}:{port} (stop with Ctrl-C)", highlight=False)
    uvicorn.run(create(weights=weights), host=host, port=port, log_level="warning")


def expected_errors() -> tuple[tuple[type[Exception], int], ...]:
    """Errors that are told in one line, with their exit codes."""
    from classifier.card import CardError
    from classifier.datasets import DataError
    from genetics.genotype import GenotypeError
    from genetics.pedigree import PedigreeError
    from service.boxes import BoxError
    from service.flock import FlockError
    from service.triage import TriageError

    failed = (FlockError, PedigreeError, TriageError, CardError, DataError)
    usage = (UsageMistake, GenotypeError, BoxError)
    return (*((e, 2) for e in usage), *((e, 1) for e in failed), (ImportError, 1), (OSError, 1))


def main(arguments: list[str] | None = None) -> None:
    """Entry point: errors become one line and an exit code."""
    code: Any
    try:
        code = app(args=arguments, standalone_mode=False, prog_name="combwright")
    except KeyboardInterrupt:
        say("stopped")
        sys.exit(130)
    except Exception as error:
        if hasattr(error, "format_message"):  # a usage error found by the option parser
            say(f"{error.format_message()} (see combwright --help)")
            sys.exit(2)
        if type(error).__name__ == "Exit":
            sys.exit(getattr(error, "exit_code", 1))
        for kind, number in expected_errors():
            if isinstance(error, kind):
                say(str(error))
                sys.exit(number)
        raise
    sys.exit(code if isinstance(code, int) else 0)


if __name__ == "__main__":
    main()
