"""`combwright serve`: the one place where the command line starts the pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.shared import Weights, app, out, say

if TYPE_CHECKING:
    from fastapi import FastAPI

    from service.actions.door import Door
    from service.settings import Settings

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


def check_options(
    cert: Path | None, key: Path | None, lan_and_host: bool, lan: bool, several_together: bool
) -> None:
    """Refuse options that don't go together. Raises UsageMistake."""
    from service.errors import UsageMistake

    if (cert is None) != (key is None):
        raise UsageMistake("tls_needs_both")
    if lan_and_host or (lan and cert is not None):
        raise UsageMistake("lan_with_host")
    if several_together:
        raise UsageMistake("workers_need_apart")


def show_address(pages: FastAPI, door: Door, by_name: bool) -> None:
    """Say where the pages are, and what a phone needs to get there."""
    out.print(f"Combwright on {door.addresses[0]} (stop with Ctrl-C)", highlight=False)
    if door.authority is not None:
        show_pairing(pages, door)
    elif door.accounts and out.is_terminal:
        show_code(door.addresses[0])
    if door.accounts and not door.secure and not by_name:
        say("passwords and photos go over this network unencrypted; see SECURITY.md for https")


def pages_of(
    settings: Settings, weights: Path | None, door: Door, apart: bool, log: str
) -> FastAPI:
    """Return the pages, in this process or in one of several."""
    from service.cli.logs import begin_log
    from service.settings import use_numbers
    from service.web.application import create
    from service.web.server import settle_in

    begin_log(log)
    use_numbers(settings)
    settle_in()
    return create(settings, weights, door, apart)


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
    apart: Annotated[
        bool,
        typer.Option(
            "--apart", help="Leave reading and learning to `combwright work`; needs PostgreSQL."
        ),
    ] = False,
    workers: Annotated[
        int, typer.Option(help="Processes behind one address; several need --apart.", min=1)
    ] = 1,
    log: Annotated[str, typer.Option(help="Lines of the log: text or json.")] = "text",
    weights: Weights = None,
) -> None:
    """Run the web page; records are kept in COMBWRIGHT_HOME."""
    from service.actions.certificates import own_certificate
    from service.actions.door import door_for
    from service.actions.door import root_path as below
    from service.settings import from_environment
    from service.web.server import serve as serve_pages

    check_options(tls_cert, tls_key, lan and host != HERE, lan, workers > 1 and not apart)
    settings = from_environment()
    host = EVERYWHERE if lan else host
    secure = lan or tls_cert is not None
    door = door_for(host, port, public_name or (), secure, below(root_path))
    if lan:
        made = own_certificate(settings.home, door.hosts)
        door = replace(door, authority=made.authority)
        tls_cert, tls_key = made.chain, made.key
    make: Callable[[], FastAPI] = partial(pages_of, settings, weights, door, apart, log)
    pages = make()
    show_address(pages, door, by_name=bool(public_name))
    tls = {"ssl_certfile": str(tls_cert), "ssl_keyfile": str(tls_key)} if tls_cert else {}
    served = pages if workers == 1 else make
    serve_pages(served, host, port, proxies=proxy or [HERE], workers=workers, **tls)
