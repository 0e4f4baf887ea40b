"""`combwright work`: a worker that does what servers leave in the queue."""

from __future__ import annotations

import threading
from typing import Annotated

import typer

from service.cli.shared import Weights, app, out


@app.command()
def work(
    until_idle: Annotated[
        bool, typer.Option("--until-idle", help="End once nothing waits any more.")
    ] = False,
    log: Annotated[str, typer.Option(help="Lines of the log: text or json.")] = "text",
    weights: Weights = None,
) -> None:
    """Read, learn and work out what servers leave in PostgreSQL."""
    from service.actions.jobs import Bench
    from service.actions.kept_jobs import conninfo
    from service.actions.kept_jobs import work as do_jobs
    from service.actions.readers import ReaderInUse
    from service.actions.rounds import go_round
    from service.cli.logs import begin_log
    from service.installation import open_store
    from service.settings import from_environment

    begin_log(log)
    settings = from_environment()
    conninfo(settings)
    store = open_store(settings)
    readers = ReaderInUse(store, weights)
    if not until_idle:
        threading.Thread(target=go_round, args=(store, readers), daemon=True).start()
        out.print("Combwright works (stop with Ctrl-C)", highlight=False)
    do_jobs(Bench(store, settings, readers), wait=not until_idle)
