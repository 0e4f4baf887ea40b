"""`combwright access`: who may come in over the network."""

from __future__ import annotations

import getpass
import os
import sys
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from service.cli.shared import Json, app, out, print_array
from service.errors import UsageMistake
from service.records.states import ROLES
from service.settings import from_environment

if TYPE_CHECKING:
    from service.records.database import Store

group = typer.Typer(no_args_is_help=True, help="Who may come in over the network.")
app.add_typer(group, name="access")
Name = Annotated[str, typer.Argument(help="The account's name.", metavar="NAME")]
Role = Annotated[str, typer.Argument(help=f"One of {', '.join(ROLES)}.", metavar="ROLE")]


def opened() -> Store:
    """Return the installation's records."""
    from service.installation import open_store

    return open_store(from_environment())


def new_password() -> str:
    """Return a password that is typed twice, or comes from COMBWRIGHT_PASSWORD or a pipe."""
    if given := os.environ.get("COMBWRIGHT_PASSWORD"):
        return given
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    password = getpass.getpass("Password: ")
    if getpass.getpass("Once more: ") != password:
        raise UsageMistake("passwords_differ")
    return password


@group.command(name="list")
def list_accounts(as_json: Json = False) -> None:
    """List the accounts."""
    from service.actions.access import all_accounts

    found = all_accounts(opened())
    if as_json:
        rows = [{"name": a.name, "role": a.role, "made": a.made.isoformat()} for a in found]
        print_array("account", rows)
        return
    table = Table("name", "may", "since (UTC)")
    for account in found:
        table.add_row(account.name, account.role, f"{account.made:%Y-%m-%d}")
    out.print(table)


@group.command()
def owner(name: Name) -> None:
    """Make an owner's account, on this machine."""
    from service.actions.access import add_account

    add_account(opened(), name, "own", new_password())
    out.print(f"{name} owns these records", highlight=False)


@group.command()
def invite(
    role: Role = "read",
    address: Annotated[
        str, typer.Option(help="Where the pages are reached, as http://192.168.1.5:8000.")
    ] = "",
    port: Annotated[int, typer.Option(min=1, max=65535)] = 8000,
) -> None:
    """Make a one-time link for a helper, with its QR code."""
    import segno

    from service.actions.access import invite as make_link
    from service.actions.door import door_for

    token = make_link(opened(), role, "")
    base = address.rstrip("/") or door_for("", port, (), False).addresses[0]
    link = f"{base}/join/{token}"
    if sys.stdout.isatty():
        segno.make(link, micro=False).terminal(compact=True)
    print(link)


@group.command()
def role(name: Name, to: Role) -> None:
    """Give an account another role."""
    from service.actions.access import change_role

    change_role(opened(), name, to)


@group.command()
def close(name: Name) -> None:
    """Close an account; what it wrote down stays."""
    from service.actions.access import close as close_account

    close_account(opened(), name)


@group.command()
def password(name: Name) -> None:
    """Set an account's password, on this machine."""
    from service.actions.access import set_password

    set_password(opened(), name, new_password())
