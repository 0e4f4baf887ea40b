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
    if isinstance(node, ast.Constant) and type(node.value) in (int, float):
        assert isinstance(node.value, int | float)
        return ast.Constant(node.value + 1)
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


def mutated(source: str, number: int) -> tuple[int, str] | None:
    """Return the line and the text of a module's mutant of that number; None if it has fewer."""
    tree = ast.parse(source)
    swap = _Swap(number, _annotations(tree))
    changed = ast.fix_missing_locations(swap.visit(tree))
    return (swap.line, ast.unparse(changed)) if swap.seen >= number else None


def drawn(paths: list[Path], count: int, seed: int) -> Iterator[tuple[Path, int, str, str]]:
    """Draw distinct mutants of these modules: path, line, the line as it was, the mutant's text."""
    every = []
    for path in paths:
        number = 0
        while mutated(path.read_text(encoding="utf-8"), number) is not None:
            every.append((path, number))
            number += 1
    for path, number in random.Random(seed).sample(every, min(count, len(every))):
        source = path.read_text(encoding="utf-8")
        found = mutated(source, number)
        assert found is not None
        yield path, found[0], source.splitlines()[found[0] - 1].strip(), found[1]
