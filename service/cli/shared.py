"""What all commands share: the application, options, errors, progress."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from service import clock

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
        return clock.today()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageMistake(f"--on {text!r} is no date; write YYYY-MM-DD") from None


def bar(quiet: bool) -> Progress:
    """A progress bar on stderr, none when piped."""
    console = Console(stderr=True)
    return Progress(console=console, disable=quiet or not console.is_terminal, transient=True)
