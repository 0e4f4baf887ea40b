"""The command line: commands by what they are about, and where they begin."""

from __future__ import annotations


def main(arguments: list[str] | None = None) -> None:
    """Run `combwright`; see `service/cli/entry.py`."""
    from service.cli.entry import main as run

    run(arguments)
