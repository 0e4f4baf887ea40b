"""`combwright serve`: the one place where the command line starts the pages."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.cli.shared import Weights, app, out, say


def show_code(address: str) -> None:
    """Show an address as a QR code, for a phone's camera."""
    import segno

    segno.make_qr(address).terminal(compact=True)


@app.command()
def serve(
    host: Annotated[
        str, typer.Option(help="Address; 0.0.0.0 lets a phone reach it.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535)] = 8000,
    public_name: Annotated[
        list[str] | None,
        typer.Option(help="A name that the pages are reached by, as behind a proxy; repeatable."),
    ] = None,
    tls_cert: Annotated[Path | None, typer.Option(help="Certificate (PEM), for https.")] = None,
    tls_key: Annotated[Path | None, typer.Option(help="Its key (PEM).")] = None,
    log: Annotated[str, typer.Option(help="Lines of the log: text or json.")] = "text",
    weights: Weights = None,
) -> None:
    """Run the web page; records are kept in COMBWRIGHT_HOME."""
    from service.actions.door import door_for
    from service.cli.logs import begin_log
    from service.errors import UsageMistake
    from service.settings import from_environment
    from service.web.application import create
    from service.web.server import serve as serve_pages

    if (tls_cert is None) != (tls_key is None):
        raise UsageMistake("tls_needs_both")
    begin_log(log)
    settings = from_environment()
    door = door_for(host, port, public_name or (), tls_cert is not None)
    pages = create(settings, weights, door)
    out.print(f"Combwright on {door.addresses[0]} (stop with Ctrl-C)", highlight=False)
    if door.accounts and out.is_terminal:
        show_code(door.addresses[0])
    if door.accounts and not door.secure and not public_name:
        say("passwords and photos go over this network unencrypted; see SECURITY.md for https")
    tls = {"ssl_certfile": str(tls_cert), "ssl_keyfile": str(tls_key)} if tls_cert else {}
    serve_pages(pages, host, port, **tls)
