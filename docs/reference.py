"""Write the reference pages of the documentation from the code.

    python docs/reference.py [--out docs/site/reference]

Commands from the command line's own help, the interface from its OpenAPI description, numbers from
their tables, both cards from the model's; with the plots of `plots.py` beside them.
"""

from __future__ import annotations

import argparse
import json
import re
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import plots
import typer

from classifier.card import load_card

HERE = Path(__file__).parent / "site" / "reference"


def commands() -> str:
    """Return the page of all commands with their arguments and options."""
    from service.cli.entry import app
    from service.cli.shared import GROUPS

    top: Any = typer.main.get_command(app)
    lines = ["# Commands", "", "Every command prints its own help with `-h`.", ""]
    for title, names in GROUPS.items():
        lines += [f"## {title}", ""]
        for name in names:
            lines += list(told(f"combwright {name}", top.commands[name]))
    return "\n".join(lines)


def told(name: str, command: Any) -> Iterator[str]:
    """Lines on a command, and on those below it."""
    yield from (f"### {name}", "", str(command.help or "").strip(), "")
    rows = []
    for parameter in command.params:
        if parameter.param_type_name == "argument":
            rows.append((f"`{str(parameter.name).upper()}`", help_of(parameter)))
        elif "--help" not in parameter.opts:
            names = ", ".join(f"`{word}`" for word in (*parameter.opts, *parameter.secondary_opts))
            rows.append((names, help_of(parameter)))
    if rows:
        yield from ("| word | what for |", "| --- | --- |")
        yield from (f"| {first} | {second} |" for first, second in rows)
        yield ""
    if hasattr(command, "commands"):
        for below, one in command.commands.items():
            yield from told(f"{name} {below}", one)


def help_of(parameter: Any) -> str:
    """Return what an argument or option is for, with its default."""
    text = str(getattr(parameter, "help", "") or "").replace("|", "\\|")
    default = parameter.default
    if isinstance(default, (str, int, float)) and not isinstance(default, bool) and default != "":
        text += f" (default: {default})"
    return text.strip()


def filled(page: str, **parts: str) -> str:
    """Return a page of `docs/pages` with its gaps filled."""
    text = (Path(__file__).parent / "pages" / f"{page}.md").read_text(encoding="utf-8")
    for name, value in parts.items():
        text = text.replace(f"<!-- {name} -->", value)
    return text


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a table in Markdown."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(map(str, row)) + " |" for row in lines)


def interface() -> str:
    """Return the page of the interface for programs."""
    from service.settings import Settings
    from service.web.application import create

    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        document = create(Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")).openapi()
    rows = [
        (
            f"`{method.upper()} {path}`",
            operation.get("summary") or operation["operationId"],
            ", ".join(operation["responses"]),
        )
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]
    return filled("interface", requests=table(("request", "does", "answers"), rows))


def shapes() -> str:
    """Return the page of the JSON that commands print, with a table for each shape."""
    from service.shapes.catalogue import SHAPES, json_schema
    from service.shapes.printed import schema_name

    lines = []
    for name in SHAPES:
        schema = json_schema(name)
        rows = [
            (f"`{field}`", kind_of(about), " ".join(about.get("description", "").split()))
            for field, about in schema["properties"].items()
            if field != "schema"
        ]
        file = schema_file(name)
        lines += [f"## {schema_name(name)}", "", schema["description"].split("\n\n")[0], ""]
        lines += [table(("field", "kind", "meaning"), rows), ""] if rows else []
        lines += [f"JSON Schema: [`{file}`](schemas/{file})", ""]
    return filled("json", shapes="\n".join(lines))


def schema_file(shape: str) -> str:
    """Return the name of the file that holds a shape's JSON Schema."""
    from service.shapes.printed import schema_name

    return f"{schema_name(shape).replace('/', '-')}.json"


def kind_of(about: dict[str, Any]) -> str:
    """Return the kind of a field in words, from its JSON Schema."""
    if "$ref" in about:
        return str(about["$ref"]).rsplit("/", 1)[-1]
    if "enum" in about or "const" in about:
        return " or ".join(f"`{json.dumps(w)}`" for w in about.get("enum", [about.get("const")]))
    if "anyOf" in about:
        return " or ".join(map(kind_of, about["anyOf"]))
    kind = str(about.get("type", "anything"))
    if kind == "array" and "items" in about:
        return f"array of {kind_of(about['items'])}"
    return kind


def write_schemas(out: Path) -> None:
    """Write the JSON Schemas beside the page."""
    from service.shapes.catalogue import SHAPES, json_schema

    out.mkdir(exist_ok=True)
    for name in SHAPES:
        text = json.dumps(json_schema(name), indent=1, ensure_ascii=False)
        (out / schema_file(name)).write_text(text + "\n", encoding="utf-8")


def flock_csv() -> str:
    """Return the page of a flock list's columns, with the words that each is known by."""
    from service.records.exchange.words import headings

    rows = [(f"`{column}`", ", ".join(known)) for column, known in headings().items()]
    return filled("flock-csv", columns=table(("column", "also understood as"), rows))


def numbers() -> str:
    """Return the page of all numbers, as they stand in their tables."""
    from genetics.numbers import TABLES, source

    lines = ["# Numbers and their sources", "", "As `combwright numbers` prints them.", ""]
    for table in TABLES:
        lines += [f"## {table}", "", "```toml", source(table).strip(), "```", ""]
    return "\n".join(lines)


def python() -> str:
    """Return the page of what other programs may import."""
    import combwright

    lines = ["# In Python", "", str(combwright.__doc__).split("\n\n", 1)[0], ""]
    for name in ("read", "infer", "cross"):
        function = getattr(combwright, name)
        lines += [f"## {name}", "", "```text", str(function.__doc__).strip(), "```", ""]
    return "\n".join(lines)


def shown(value: object) -> str:
    """Return a figure of the card in words."""
    if isinstance(value, list) and len(value) == 2 and all(isinstance(v, int) for v in value):
        return f"{value[0]} of {value[1]}"
    if isinstance(value, list) and len(value) == 2:
        return f"{value[0]} to {value[1]}"
    return str(value)


def model_card() -> str:
    """Return the model card: what it is, what it was trained on, what was measured."""
    card = load_card().document
    training = card["training"]
    scores = [
        f"### {name[0].upper()}{name[1:]}\n\n"
        + table(
            ("figure", "value"),
            [(key.replace("_", " "), shown(value)) for key, value in flat(values)],
        )
        for name, values in card.get("scores", {}).items()
    ]
    return filled(
        "model-card",
        model=card["model"],
        size=f"{card['weights']['bytes'] / 1e6:.1f}",
        backbone=training["backbone"],
        labels=training["labels"],
        command=training.get("command", "See DEVELOPERS.md."),
        scores="\n\n".join(scores),
    )


def flat(values: dict[str, Any], before: str = "") -> Iterator[tuple[str, Any]]:
    """Figures of a card, those below others with both names; long tables are left to the JSON."""
    for key, value in values.items():
        if isinstance(value, dict):
            if key != "confusion":
                yield from flat(value, f"{before}{key}: ")
        elif not (isinstance(value, list) and value and isinstance(value[0], dict | list)):
            yield f"{before}{key}", value


def data_card() -> str:
    """Return the data card of photographs and renders."""
    card = load_card().document
    sources = [f"- {name}: {rights}" for name, rights in card["data"][0]["sources"].items()]
    crops = table(("source", "head crops"), list(card["training"]["crops"].items()))
    return filled("data-card", sources="\n".join(sources), crops=crops)


PAGES = {
    "commands": commands,
    "interface": interface,
    "json": shapes,
    "flock-csv": flock_csv,
    "numbers": numbers,
    "python": python,
    "model-card": model_card,
    "data-card": data_card,
}


def write(out: Path) -> None:
    """Write all pages into a folder."""
    out.mkdir(parents=True, exist_ok=True)
    for name, page in PAGES.items():
        text = re.sub(r"\n{3,}", "\n\n", page()).rstrip() + "\n"
        (out / f"{name}.md").write_text(text, encoding="utf-8")
    write_schemas(out / "schemas")
    plots.write(out)


def main() -> None:
    """Write the pages where the site looks for them."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, default=HERE)
    write(parser.parse_args().out)


if __name__ == "__main__":
    main()
