"""Mutants drawn at random: one operator, comparison, number or condition of a module changed."""

from __future__ import annotations

import ast
import random
from collections.abc import Iterator
from pathlib import Path

ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}
COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}


def _replacement(node: ast.AST) -> ast.AST | None:
    """Return what a node becomes in a mutant; None if it stays as it is."""
    if isinstance(node, ast.BinOp) and type(node.op) in ARITHMETIC:
        return ast.BinOp(node.left, ARITHMETIC[type(node.op)](), node.right)
    if isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARISONS:
        return ast.Compare(
            node.left, [COMPARISONS[type(node.ops[0])](), *node.ops[1:]], node.comparators
        )
    if isinstance(node, ast.BoolOp):
        return ast.BoolOp(ast.And() if isinstance(node.op, ast.Or) else ast.Or(), node.values)
    # True and False are mostly `frozen` and `strict`, which mean nothing where all is well.
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        return None if isinstance(node.value, bool) else ast.Constant(node.value + 1)
    return None


def _annotations(tree: ast.AST) -> set[ast.AST]:
    """Return the nodes of annotations, which no run looks at."""
    roots = [getattr(n, part, None) for n in ast.walk(tree) for part in ("annotation", "returns")]
    return {node for root in roots if root is not None for node in ast.walk(root)}


class _Swap(ast.NodeTransformer):
    def __init__(self, number: int, hidden: set[ast.AST]) -> None:
        self.number, self.hidden, self.seen, self.line = number, hidden, -1, 0

    def visit(self, node: ast.AST) -> ast.AST:
        changed = None if node in self.hidden else _replacement(node)
        if changed is not None:
            self.seen += 1
            if self.seen == self.number:
                self.line = getattr(node, "lineno", 0)
                return ast.copy_location(changed, node)
        return super().visit(node)


def places(source: str) -> int:
    """Return how many mutants a module has."""
    tree = ast.parse(source)
    counter = _Swap(-1, _annotations(tree))
    counter.visit(tree)
    return counter.seen + 1


def mutated(source: str, number: int) -> tuple[int, str]:
    """Return the line and the text of a module's mutant of that number, below `places`."""
    tree = ast.parse(source)
    swap = _Swap(number, _annotations(tree))
    changed = ast.fix_missing_locations(swap.visit(tree))
    return swap.line, ast.unparse(changed)


def drawn(paths: list[Path], count: int, seed: int) -> Iterator[tuple[Path, int, str, str]]:
    """Draw distinct mutants of these modules: path, line, the line as it was, the mutant's text."""
    sources = {path: path.read_text(encoding="utf-8") for path in paths}
    every = [(path, n) for path, source in sources.items() for n in range(places(source))]
    for path, number in random.Random(seed).sample(every, min(count, len(every))):
        line, broken = mutated(sources[path], number)
        yield path, line, sources[path].splitlines()[line - 1].strip(), broken
