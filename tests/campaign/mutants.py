"""What a mutant is: one small change to one of the files that safety rests on.

Changed, one at a time: comparisons, `and` and `or`, `not`, tests of `if` and `while`, signs and factors, numbers,
True and False, what is returned, and calls and raises that are left out. Left alone: texts, annotations, what a class
or a function is decorated with, what is only imported for types, and code that only another system runs.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
GUARD = "harness/run/guard"
FILES: dict[str, str] = {
    **{each: f"{GUARD}/{each}.py" for each in ("core", "owner", "switching", "dark", "armed", "process", "client")},
    "local": f"{GUARD}/local.py",
    "presses": "harness/run/presses.py",
    "runner": "harness/run/runner.py",
    "decide": "harness/run/decide.py",
    "store": "results/store/store.py",
    "store_write": "results/store/write.py",
}


@dataclass(frozen=True)
class Mutant:
    """target: a key of FILES; number: which change of that file; lines: first and last of the statement; within: the
    function by its qualified name, "" at the level of module or class."""

    target: str
    number: int
    line: int
    what: str
    lines: tuple[int, int]
    within: str


COMPARE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
REACH: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
}  # fmt: skip
SKIPPED = (ast.JoinedStr, ast.Import, ast.ImportFrom, ast.arguments)


def changes(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Each change of one node: what it is, and the node in its place."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in COMPARE:
        other = copy.copy(node)
        other.ops = [COMPARE[type(node.ops[0])]()]
        yield "another comparison", other
    elif isinstance(node, ast.BoolOp):
        other_bool = copy.copy(node)
        other_bool.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "and for or, or for and", other_bool
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "without its not", node.operand
    elif isinstance(node, ast.BinOp) and type(node.op) in REACH:
        other_bin = copy.copy(node)
        other_bin.op = REACH[type(node.op)]()
        yield "another sign or factor", other_bin
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield "the other truth", ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
        yield "another number", ast.Constant(node.value * 10 if node.value else 1)
    elif isinstance(node, (ast.If, ast.While)) and not isinstance(node.test, (ast.Compare, ast.Constant)):
        other_test = copy.copy(node)
        other_test.test = ast.UnaryOp(ast.Not(), node.test)
        yield "the opposite test", other_test
    elif isinstance(node, ast.Return) and node.value is not None and not isinstance(node.value, ast.Constant):
        yield "returns nothing", ast.Return(ast.Constant(None))
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield "a call left out", ast.Pass()
    elif isinstance(node, ast.Raise):
        yield "a raise left out", ast.Pass()


class _Changer(ast.NodeTransformer):
    """Lists the changes, and makes the one of this number."""

    def __init__(self, target: str, number: int | None) -> None:
        self.target, self.wanted = target, number
        self.found: list[Mutant] = []
        self.names: list[str] = []  # of the classes and functions around
        self.function = ""  # the outermost function around
        self.lines = (0, 0)

    def visit(self, node: ast.AST) -> Any:
        if isinstance(node, SKIPPED) or _never_run(node):
            return node
        if isinstance(node, ast.stmt):
            self.lines = _lines(node)
        line = getattr(node, "lineno", 0)
        for what, other in changes(node):
            self.found.append(Mutant(self.target, len(self.found), line, what, self.lines, self.function))
            if self.wanted == len(self.found) - 1:
                return ast.copy_location(other, node)
        if isinstance(node, ast.AnnAssign):  # its annotation stays
            node.value = self.visit(node.value) if node.value is not None else None
            return node
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            return self._body_of(node)
        return self.generic_visit(node)

    def _body_of(self, node: Any) -> Any:
        outer = self.function
        self.names.append(node.name)
        if not isinstance(node, ast.ClassDef):
            self.function = outer or ".".join(self.names)
        node.body = [self.visit(each) for each in node.body]
        self.names.pop()
        self.function = outer
        return node


def _lines(node: ast.stmt) -> tuple[int, int]:
    """Of a statement; of one with a body, its head only."""
    body = getattr(node, "body", None) or getattr(node, "cases", None)
    last = max(node.lineno, body[0].lineno - 1) if body and hasattr(body[0], "lineno") else node.end_lineno
    return node.lineno, last or node.lineno


def _never_run(node: ast.AST) -> bool:
    """Or by another system only."""
    if not isinstance(node, ast.If):
        return False
    text = ast.unparse(node.test)
    return "TYPE_CHECKING" in text or "win32" in text or "__main__" in text or "darwin" in text


def _tree(target: str) -> ast.Module:
    return ast.parse((ROOT / FILES[target]).read_text(encoding="utf-8"))


def mutants(target: str) -> list[Mutant]:
    changer = _Changer(target, None)
    changer.visit(_tree(target))
    return changer.found


def changed(mutant: Mutant) -> ast.Module:
    made: ast.Module = _Changer(mutant.target, mutant.number).visit(_tree(mutant.target))
    return ast.fix_missing_locations(made)


def module_of(target: str) -> str:
    return "wakeboard." + FILES[target].removesuffix(".py").replace("/", ".")
