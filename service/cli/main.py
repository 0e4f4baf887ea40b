"""The command line `combwright`.

Errors are one line on stderr that says what is wrong and what to do. Exit 2 for a usage error,
1 if any input failed (the others are still done), 0 otherwise. Commands that need no network
import no torch.
"""

from __future__ import annotations

import sys
from typing import Any

from service.cli import breeding, notes, opinions, photos, records, serve
from service.cli.shared import UsageMistake, app, say
from service.settings import from_environment, use_numbers

__all__ = ["app", "breeding", "main", "notes", "opinions", "photos", "records", "serve"]


def expected_errors() -> tuple[tuple[type[Exception], int], ...]:
    """Errors that are told in one line, with their exit codes."""
    from classifier.card import CardError
    from classifier.training.datasets import DataError
    from genetics.counts import CountError
    from genetics.genotype import GenotypeError
    from genetics.linkage import LinkageError
    from genetics.numbers import NumbersError
    from genetics.pedigree import PedigreeError
    from genetics.planning import PlanError
    from genetics.testmating import TestMatingError
    from service.flock.batch import TriageError
    from service.flock.boxes_csv import BoxError
    from service.flock.flock_csv import FlockError
    from service.records.database import StoreError

    failed = (
        FlockError,
        PedigreeError,
        TriageError,
        CardError,
        DataError,
        NumbersError,
        StoreError,
    )
    usage = (
        UsageMistake,
        GenotypeError,
        LinkageError,
        BoxError,
        CountError,
        TestMatingError,
        PlanError,
    )
    return (*((e, 2) for e in usage), *((e, 1) for e in failed), (ImportError, 1), (OSError, 1))


def main(arguments: list[str] | None = None) -> None:
    """Entry point: errors become one line and an exit code."""
    code: Any
    try:
        use_numbers(from_environment())
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
