"""`combwright doctor`: whether this installation is in order."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.table import Table

from service.cli.shared import Json, app, out, print_array
from service.settings import from_environment
from service.wording.sentences import say as in_words


@app.command()
def doctor(
    port: Annotated[int, typer.Option(min=1, max=65535, help="Of the pages.")] = 8000,
    as_json: Json = False,
) -> None:
    """Check versions, disk, rights, records, model, clock and port."""
    from service.actions.health import examine

    found = examine(from_environment(), port)
    if as_json:
        rows = [{"what": f.what, "good": f.good, "said": in_words(f.said)} for f in found]
        print_array("finding", rows)
    else:
        table = Table("what", "", "found")
        for finding in found:
            table.add_row(finding.what, "ok" if finding.good else "look", in_words(finding.said))
        out.print(table)
    if not all(finding.good for finding in found):
        raise typer.Exit(1)
