"""Where the command line begins: the user's numbers and language, and errors in one line.

Exit 2 for a usage error, 1 if any input failed (the others are still done), 0 otherwise. Commands
that need no network import no torch.
"""

from __future__ import annotations

import contextlib
import io
import os
import secrets
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from traceback import format_exception
from typing import Any, NoReturn

from service.cli import (
    access,
    breeding,
    doctor,
    learning,
    notes,
    opinions,
    photos,
    plans,
    pool,
    records,
    serve,
    work,
)
from service.cli.shared import app, say
from service.errors import Expected, StoreError
from service.settings import from_environment, use_numbers
from service.wording.language import speak
from service.wording.sentences import say as in_words

__all__ = [
    "access",
    "app",
    "breeding",
    "doctor",
    "learning",
    "main",
    "notes",
    "opinions",
    "photos",
    "plans",
    "pool",
    "records",
    "serve",
    "work",
]


HELP = {"-h", "--help", "--version", "--show-completion", "--install-completion"}
COMPLETING = "_COMBWRIGHT_COMPLETE"  # what a shell sets that asks for words
MOST_PROBLEMS = 50  # of one list, each on a line
MOST_TRACES = 1_000_000  # bytes; a file that has grown beyond begins anew


def trace_file() -> Path:
    """Return where traces of what nobody foresaw are kept."""
    return from_environment().home / "unexpected.log"


def kept_trace(error: Exception) -> str:
    """Keep the trace of an error that nobody foresaw; returns the number it is kept under."""
    number, file = secrets.token_hex(3).upper(), trace_file()
    text = f"{number} {datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}\n" + "".join(format_exception(error))
    try:
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        fresh = os.O_TRUNC if file.exists() and file.stat().st_size > MOST_TRACES else os.O_APPEND
        handle = os.open(file, os.O_CREAT | os.O_WRONLY | fresh, 0o600)
        with os.fdopen(handle, "a", encoding="utf-8", errors="backslashreplace") as log:
            log.write(f"{text}\n")
    except OSError:  # nowhere to keep it: better shown than lost
        print(text, file=sys.stderr)
    return number


def asks_for_help(arguments: Sequence[str]) -> bool:
    """Whether a command line only asks what there is: nothing in the environment may stop that."""
    return not arguments or bool(HELP.intersection(arguments)) or COMPLETING in os.environ


def speak_utf8() -> None:
    """Let what is printed be UTF-8 in pipes and on consoles that would take less (Windows)."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.encoding.lower() not in (
            "utf-8",
            "utf8",
        ):
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")


def leave(code: int) -> NoReturn:
    """End at once: threads of libraries that are still at work would be complained of else."""
    decoding = sys.modules.get("service.records.intake.decoding")
    if decoding is not None:
        decoding.DECODER.end()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    os._exit(code)


def main(arguments: list[str] | None = None) -> None:
    """Run the command: errors become one line and an exit code."""
    code: Any
    speak_utf8()
    try:
        if not asks_for_help(sys.argv[1:] if arguments is None else arguments):
            settings = from_environment()
            speak(settings.language)
            use_numbers(settings)
        code = app(args=arguments, standalone_mode=False, prog_name="combwright")
    except KeyboardInterrupt:
        say("stopped")
        if arguments is not None:  # called within another program
            sys.exit(130)
        leave(130)
    except Expected as error:
        for problem in getattr(error, "problems", (error,))[:MOST_PROBLEMS]:
            say(in_words(problem))
        if len(getattr(error, "problems", ())) > MOST_PROBLEMS:
            say(in_words(error))
        sys.exit(error.exit_code)
    except Exception as error:
        if type(error).__name__ == "NoArgsIsHelpError":  # as it is meant to look
            print(error.format_message())  # type: ignore[attr-defined]
            sys.exit(0)
        if hasattr(error, "format_message"):  # a usage error found by the option parser
            say(f"{error.format_message()} (see combwright --help)")
            sys.exit(2)
        if type(error).__name__ == "Exit":
            sys.exit(getattr(error, "exit_code", 1))
        if isinstance(error, BrokenPipeError):  # whoever read what we print has gone
            sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
            sys.exit(1)
        if isinstance(error, ImportError | OSError):
            say(str(error))
            sys.exit(1)
        say(in_words(StoreError("unexpected_at", number=kept_trace(error), file=str(trace_file()))))
        sys.exit(1)
    sys.exit(code if isinstance(code, int) else 0)
