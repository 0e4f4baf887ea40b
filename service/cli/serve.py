"""`combwright serve`: the one place where the command line starts the pages."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.shared import Weights, app, out, say

if TYPE_CHECKING:
    from fastapi import FastAPI

    from service.actions.door import Door

EVERYWHERE = "0.0.0.0"  # noqa: S104  (asked for by --lan)
HERE = "127.0.0.1"  # a proxy on the same machine is believed


def show_code(address: str) -> None:
    """Show an address as a QR code, for a phone's camera."""
    import segno

    segno.make_qr(address).terminal(compact=True)


def show_pairing(pages: FastAPI, door: Door) -> None:
    """Show what a phone needs once: a link that lets it in, and how to trust the certificate."""
    from service.actions.access import invite
    from service.actions.certificates import fingerprint_of

    link = f"{door.addresses[0]}/join/{invite(pages.state.store, 'read', '')}"
    out.print(f"a phone is let in once by {link}", highlight=False, soft_wrap=True)
    out.print(f"its browser warns until it trusts us: {door.addresses[0]}/trust", highlight=False)
    assert door.authority is not None
    out.print(f"certificate (SHA-256): {fingerprint_of(door.authority)}", highlight=False)
    if out.is_terminal:
        show_code(link)


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
    proxy: Annotated[
        list[str] | None,
        typer.Option(help="Address of a proxy that tells whom it speaks for; repeatable."),
    ] = None,
    root_path: Annotated[
        str, typer.Option(help="Path that the pages are served under, as /comb behind a proxy.")
    ] = "",
    lan: Annotated[
        bool,
        typer.Option(
            "--lan", help="To phones in your own network, by https with a certificate made here."
        ),
    ] = False,
    tls_cert: Annotated[Path | None, typer.Option(help="Certificate (PEM), for https.")] = None,
    tls_key: Annotated[Path | None, typer.Option(help="Its key (PEM).")] = None,
    log: Annotated[str, typer.Option(help="Lines of the log: text or json.")] = "text",
    weights: Weights = None,
) -> None:
    """Run the web page; records are kept in COMBWRIGHT_HOME."""
    from service.actions.certificates import own_certificate
    from service.actions.door import door_for
    from service.actions.door import root_path as below
    from service.cli.logs import begin_log
    from service.errors import UsageMistake
    from service.settings import from_environment
    from service.web.application import create
    from service.web.server import serve as serve_pages

    if (tls_cert is None) != (tls_key is None):
        raise UsageMistake("tls_needs_both")
    if lan and (host != HERE or tls_cert is not None):
        raise UsageMistake("lan_with_host")
    begin_log(log)
    settings = from_environment()
    host = EVERYWHERE if lan else host
    secure = lan or tls_cert is not None
    door = door_for(host, port, public_name or (), secure, below(root_path))
    if lan:
        made = own_certificate(settings.home, door.hosts)
        door = replace(door, authority=made.authority)
        tls_cert, tls_key = made.chain, made.key
    pages = create(settings, weights, door)
    out.print(f"Combwright on {door.addresses[0]} (stop with Ctrl-C)", highlight=False)
    if lan:
        show_pairing(pages, door)
    elif door.accounts and out.is_terminal:
        show_code(door.addresses[0])
    if door.accounts and not door.secure and not public_name:
        say("passwords and photos go over this network unencrypted; see SECURITY.md for https")
    tls = {"ssl_certfile": str(tls_cert), "ssl_keyfile": str(tls_key)} if tls_cert else {}
    serve_pages(pages, host, port, proxies=proxy or [HERE], **tls)
