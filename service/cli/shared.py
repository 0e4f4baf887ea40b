"""What all commands share: the application, options, errors, progress."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping
from contextvars import ContextVar
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.progress import Progress
from typer.core import TyperGroup

from service import clock
from service.errors import UsageMistake
from service.settings import from_environment
from service.shapes.printed import schema_name

if TYPE_CHECKING:
    from service.actions.desk import Desk
    from service.flock.flock_csv import Flock

# Commands by what one is about to do; whatever isn't named here stands under the last title.
GROUPS = {
    "Photos": ("demo", "read", "triage", "explain", "intake"),
    "Records": ("import", "export", "note", "trail", "undo", "people", "labels"),
    "Genetics": ("cross", "candidates", "test-mating", "counts", "plan", "strategies"),
    "Opinions": ("opinion", "report"),
    "Pages": ("serve", "work", "access"),
    "Upkeep": ("backup", "restore", "verify", "move", "doctor"),
    "Numbers and the model": ("numbers", "learn", "reader", "pool", "train", "evaluate"),
}


class Grouped(TyperGroup):
    """A list of commands under titles."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands, group by group."""
        commands = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        for title, names in GROUPS.items():
            rows = [
                (name, command.get_short_help_str(limit=120))
                for name in names
                if (command := commands.pop(name, None)) is not None
            ]
            with formatter.section(title):
                formatter.write_dl(rows)
        assert not commands, f"in no group: {list(commands)}"


app = typer.Typer(
    cls=Grouped,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Read chicken combs from head photos and work out rose and pea genotypes.",
)
# What is printed is what was written: `:AB:` in a fingerprint or a `[red]` hen are no marks.
out = Console(emoji=False, markup=False)
QUIET = ContextVar("quiet", default=False)
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Weights = Annotated[
    Path | None, typer.Option("--weights", help="Folder with other weights and their card.")
]
By = Annotated[str, typer.Option("--by", help="Who does it, for the trail.")]
Day = Annotated[str, typer.Option("--on", help="Day for ages, YYYY-MM-DD; today if left out.")]


def as_line(shape: str, value: Mapping[str, Any]) -> str:
    """Return an object as a line of JSON, with the name and number of its shape."""
    return json.dumps({**value, "schema": schema_name(shape)}, ensure_ascii=False)


def print_json(shape: str, value: Mapping[str, Any]) -> None:
    """Print an object for programs."""
    print(as_line(shape, value), flush=True)


def print_array(shape: str, values: Iterable[Mapping[str, Any]]) -> None:
    """Print an array for programs, one by one: a hundred thousand birds as one text would take
    gigabytes.
    """
    start = "["
    for value in values:
        print(start, as_line(shape, value), sep="", end="")
        start = ", "
    print("[]" if start == "[" else "]")


def show_version(wanted: bool) -> None:
    """Print the version and the model's, and end."""
    if wanted:
        from importlib.metadata import version

        from classifier.card import load_card

        print(f"combwright {version('combwright')}, reader {load_card().model}")
        raise typer.Exit


@app.callback()
def begin(
    version: Annotated[
        bool, typer.Option("--version", callback=show_version, is_eager=True, help="Print it.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress bars.")] = False,
) -> None:
    """Read chicken combs from head photos and work out rose and pea genotypes."""
    QUIET.set(quiet)


def flock_from(path: Path) -> Flock:
    """Return a flock list from a file, or from standard input for `-`. Raises FlockError."""
    from service.flock.flock_csv import as_text, load_flock, parse_flock

    if str(path) != "-":
        return load_flock(path)
    name = "standard input"
    return parse_flock(as_text(sys.stdin.buffer.read(), name), name)


def say(line: str) -> None:
    """One line on stderr."""
    print(f"combwright: {' '.join(line.split())}", file=sys.stderr)


def day(text: str, option: str) -> date | None:
    """Return a date option that may be left out. Raises UsageMistake."""
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageMistake("not_a_date", option=option, text=text) from None


def day_of(text: str) -> date:
    """Return the day for ages: `--on`, today if left out."""
    return day(text, "--on") or clock.today()


def desk_of(by: str = "") -> Desk:
    """Where the acts of this command are done: on the installation's records, today."""
    from service.actions.desk import Desk
    from service.actions.keeping import back_up_today
    from service.installation import open_store
    from service.model import training_prior

    desk = Desk(open_store(from_environment()), training_prior(), by, clock.today())
    back_up_today(desk)
    return desk


def bar(quiet: bool) -> Progress:
    """Return a progress bar on stderr, none when piped."""
    console = Console(stderr=True, emoji=False, markup=False)
    hidden = quiet or QUIET.get() or not console.is_terminal
    return Progress(console=console, disable=hidden, transient=True)
