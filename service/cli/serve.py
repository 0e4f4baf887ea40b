"""`combwright serve`: the one place where the command line starts the pages."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from service.cli.shared import Weights, app, out


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

    # Pages hand Python's lock over at every query; while photos are read, each time they would
    # wait 5 ms to get it back.
    sys.setswitchinterval(0.0005)
    out.print(f"Combwright on http://{host}:{port} (stop with Ctrl-C)", highlight=False)
    uvicorn.run(create(weights=weights), host=host, port=port, log_level="warning")
