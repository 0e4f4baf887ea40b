"""The map of the house, as DEVELOPERS.md draws it: rooms, layers, no circles."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import grimp
import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from tests.conftest import ROOT

PACKAGES = ("genetics", "classifier", "service")
LOOSE = {"__init__", "settings", "model", "errors", "installation", "clock"}
ROOMS = {
    "wording",
    "shapes",
    "flock",
    "records",
    "answers",
    "views",
    "documents",
    "actions",
    "bulk",
    "web",
    "cli",
}


@pytest.fixture(scope="module")
def graph():
    return grimp.build_graph(*PACKAGES, include_external_packages=False)


def test_no_module_imports_itself_by_any_way_round(graph):
    names = sorted(graph.modules)
    place = {name: i for i, name in enumerate(names)}
    arrows = [
        (place[name], place[other])
        for name in names
        for other in graph.find_modules_directly_imported_by(name)
    ]
    assert len(arrows) > 300
    rows, columns = np.array(arrows).T
    links = coo_array((np.ones(len(rows)), (rows, columns)), shape=(len(names), len(names)))
    count, label = connected_components(links, connection="strong")
    circles = [
        [names[i] for i in np.flatnonzero(label == one)]
        for one in range(count)
        if (label == one).sum() > 1
    ]
    assert circles == []


def test_no_module_of_the_service_lies_outside_a_room_but_what_the_map_names():
    service = ROOT / "service"
    assert {path.stem for path in service.glob("*.py")} == LOOSE
    assert {path.name for path in service.iterdir() if any(path.glob("*.py"))} == ROOMS


def test_the_map_for_contributors_names_every_room_and_every_loose_module():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for name in ROOMS:
        assert f"`service/{name}/`" in text, name
    for name in LOOSE - {"__init__"}:
        assert f"`{name}`" in text, name


@pytest.mark.parametrize("package", PACKAGES)
def test_every_folder_of_code_says_what_it_is(package):
    folders = {path.parent for path in Path(ROOT / package).rglob("*.py")}
    for folder in folders - {ROOT / "service" / "records" / "migrations" / "versions"}:
        first = folder / "__init__.py"
        if folder.name != "migrations":
            assert first.read_text(encoding="utf-8").startswith('"""'), folder


def test_layers_are_listed_from_the_doors_down():
    import tomllib

    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = settings["tool"]["importlinter"]["contracts"][0]["layers"]
    first = [layer.split(" ")[0] for layer in layers]
    order = ["service.web", "service.actions", "service.documents", "service.views",
             "service.answers", "service.records", "service.flock", "genetics"]  # fmt: skip
    places = [first.index(name) for name in order]
    assert all(a < b for a, b in pairwise(places))


def test_no_function_is_longer_than_sixty_lines():
    import ast

    for package in PACKAGES:
        for path in (ROOT / package).rglob("*.py"):
            if {"render", "migrations"} & set(path.parts):
                continue
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                    lines = (node.end_lineno or node.lineno) - node.lineno
                    assert lines <= 60, f"{path}: {node.name} has {lines} lines"
