"""`combwright pool`: heads given to other breeders and taken from them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from service.cli.shared import Json, app, desk_of, out, print_array, print_json
from service.settings import from_environment

group = typer.Typer(no_args_is_help=True, help="Heads given to other breeders, or from them.")
app.add_typer(group, name="pool")
File = Annotated[Path, typer.Argument(help="The package.", metavar="FILE")]


@group.command()
def give(
    file: File,
    licence: Annotated[
        str, typer.Option(help="CC0-1.0, or CC-BY-4.0 with your key as the name.")
    ] = "CC-BY-4.0",
    consent: Annotated[
        bool,
        typer.Option("--consent", help="You may give these pictures away, and do."),
    ] = False,
    as_json: Json = False,
) -> None:
    """Pack the confirmed birds' heads: crops and combs, no names, places or times."""
    from service.actions.pooling import give_heads

    package = give_heads(desk_of("keeper"), from_environment(), file, licence, consent=consent)
    if as_json:
        print_json("pooled", package.as_json())
        return
    out.print(
        f"{len(package.heads)} heads in {file}, {package.licence}; who takes it can compare your "
        f"key: {package.key}",
        highlight=False,
        soft_wrap=True,
    )


@group.command()
def take(file: File, as_json: Json = False) -> None:
    """Check a package and keep it: the reader learns from it as well next time."""
    from service.actions.pooling import take_heads

    package, new = take_heads(from_environment(), file)
    if as_json:
        print_json("pooled", package.as_json() | {"new": new})
        return
    combs = ", ".join(f"{count} {comb}" for comb, count in package.as_json()["combs"].items())
    out.print(
        f"{new} new heads of {len(package.heads)} ({combs}), {package.licence}, signed by "
        f"{package.key}",
        highlight=False,
        soft_wrap=True,
    )


@group.command(name="list")
def show(as_json: Json = False) -> None:
    """List the packages that are kept."""
    from service.records.pooled import packages

    found = packages(from_environment().home)
    if as_json:
        print_array("pooled", [package.as_json() for package in found])
        return
    table = Table("name", "heads", "birds", "licence", "signed by")
    for package in found:
        told = package.as_json()
        row = (package.name, told["heads"], told["birds"], package.licence, package.key)
        table.add_row(*map(str, row))
    out.print(table)


@group.command()
def drop(
    name: Annotated[str, typer.Argument(help="The package's name.", metavar="NAME")],
) -> None:
    """Take a package out again; what was learned from it stays until you learn anew."""
    from service.records.pooled import drop_package

    drop_package(from_environment().home, name)
