"""Mutants: each is one small change to the code that safety rests on; a test must notice it.

    python -m tests.campaign.mutation                      all mutants of all files, two at a time; hours
    python -m tests.campaign.mutation --share 0.2          a fifth of them, drawn by a seed
    python -m tests.campaign.mutation --only core --list   what there is

Changed, one at a time: comparisons, `and` and `or`, `not`, tests of `if` and `while`, signs and factors, numbers,
True and False, what is returned, and calls and raises that are left out. Left alone: texts, annotations, what is only
imported for types, and code that only another system runs.

A mutant is run in a fork of a warm process: an import hook gives the changed file, then pytest runs the files of tests
that belong to it, the quick ones first, until one fails. A mutant that runs on for ever is noticed as well. Exit code 1
where fewer than 95 % are noticed.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import importlib.abc
import importlib.util
import json
import os
import random
import resource
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
LEAST = 0.95
NEUTRAL = "tests/instruments/test_quantity.py"  # touches none of the targets
PROCESSOR = 40  # s of processor time for one file of tests: a mutant that goes round for ever
GUARD, RUN = "harness/run/guard", "tests/run"
_GUARD_TESTS = ("test_guard_core.py", "test_guard_owner.py", "test_guard_loop.py", "test_armed.py")
_RUN_TESTS = ("test_power_faults.py", "test_runner.py", "test_lying_supply.py")
_STORE_TESTS = ("tests/results/test_store.py", "tests/results/test_store_faults.py", "tests/results/test_store_old.py")


def _in_run(*names: str) -> tuple[str, ...]:
    return tuple(f"{RUN}/{name}" for name in names)


TARGETS: dict[str, tuple[str, tuple[str, ...]]] = {
    "core": (f"{GUARD}/core.py", _in_run("test_guard_core.py", "test_guard_owner.py", *_RUN_TESTS)),
    "owner": (f"{GUARD}/owner.py", _in_run(*_GUARD_TESTS[1:], *_RUN_TESTS)),
    "switching": (f"{GUARD}/switching.py", _in_run(*_GUARD_TESTS[1:3], *_RUN_TESTS)),
    "dark": (f"{GUARD}/dark.py", _in_run(*_GUARD_TESTS[1:3], *_RUN_TESTS)),
    "armed": (f"{GUARD}/armed.py", _in_run("test_armed.py")),
    "process": (f"{GUARD}/process.py", _in_run("test_guard_loop.py")),
    "client": (f"{GUARD}/client.py", _in_run("test_guard_client.py")),
    "local": (f"{GUARD}/local.py", _in_run("test_power_faults.py", "test_runner.py", "test_armed.py")),
    "presses": ("harness/run/presses.py", _in_run("test_power_faults.py")),
    "runner": ("harness/run/runner.py", _in_run(*_RUN_TESTS)),
    "decide": ("harness/run/decide.py", _in_run("test_decide.py", "test_runner.py")),
    "store": ("results/store.py", _STORE_TESTS),
    "store_write": ("results/store_write.py", _STORE_TESTS),
}
SLOW = "test_at_a_low_current_the_meter_tells_and_it_is_no_failing_board"


@dataclass(frozen=True)
class Mutant:
    """target: a key of TARGETS; number: which change of that file."""

    target: str
    number: int
    line: int
    what: str


@dataclass(frozen=True)
class Fate:
    """by: the tests that noticed it, "" where none did."""

    mutant: Mutant
    by: str
    seconds: float


# --- the changes ----------------------------------------------------------------------------------------------------
COMPARE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
REACH: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
}  # fmt: skip


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


SKIPPED = (ast.JoinedStr, ast.Import, ast.ImportFrom, ast.arguments)


class _Changer(ast.NodeTransformer):
    """Counts the changes, and makes the one of this number."""

    def __init__(self, number: int | None) -> None:
        self.wanted = number
        self.found: list[tuple[int, str]] = []

    def visit(self, node: ast.AST) -> Any:
        if isinstance(node, SKIPPED) or _only_for_types(node):
            return node
        line = getattr(node, "lineno", 0)
        for what, other in changes(node):
            self.found.append((line, what))
            if self.wanted == len(self.found) - 1:
                return ast.copy_location(other, node)
        if isinstance(node, ast.AnnAssign):  # its annotation stays
            node.value = self.visit(node.value) if node.value is not None else None
            return node
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            node.body = [self.visit(each) for each in node.body]
            return node
        return self.generic_visit(node)


def _only_for_types(node: ast.AST) -> bool:
    """Never run, or by another system only."""
    if not isinstance(node, ast.If):
        return False
    text = ast.unparse(node.test)
    return "TYPE_CHECKING" in text or "win32" in text or "__main__" in text or "darwin" in text


def mutants(target: str) -> list[Mutant]:
    changer = _Changer(None)
    changer.visit(ast.parse((ROOT / TARGETS[target][0]).read_text(encoding="utf-8")))
    return [Mutant(target, number, line, what) for number, (line, what) in enumerate(changer.found)]


def changed(mutant: Mutant) -> ast.Module:
    tree = ast.parse((ROOT / TARGETS[mutant.target][0]).read_text(encoding="utf-8"))
    made: ast.Module = _Changer(mutant.number).visit(tree)
    return ast.fix_missing_locations(made)


# --- one mutant -----------------------------------------------------------------------------------------------------
class _Hook(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module as changed code."""

    def __init__(self, name: str, path: Path, tree: ast.Module) -> None:
        self.name, self.path, self.tree = name, path, tree

    def find_spec(self, name: str, _path: Any, _target: Any = None) -> Any:
        if name != self.name:
            return None
        return importlib.util.spec_from_loader(name, self, origin=str(self.path))

    def exec_module(self, module: Any) -> None:
        module.__file__ = str(self.path)
        exec(compile(self.tree, str(self.path), "exec"), module.__dict__)


def _module_of(target: str) -> str:
    return "wakeboard." + TARGETS[target][0].removesuffix(".py").replace("/", ".")


def child(mutant: Mutant | None, target: str, tests: Sequence[str]) -> int:
    """In a fork: the tests on the changed file. 0: nobody noticed."""
    import pytest

    null = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(null, number)
    if mutant is not None:
        sys.meta_path.insert(0, _Hook(_module_of(target), ROOT / TARGETS[target][0], changed(mutant)))
    arguments = ["-x", "-q", "-p", "no:cacheprovider", "--no-header", f"--deselect={RUN}/test_lying_supply.py::{SLOW}"]
    return int(pytest.main([*arguments, *tests]))


def _forked(mutant: Mutant | None, target: str, test: str) -> int:
    """The process number of a fork that runs one file of tests."""
    pid = os.fork()
    if pid == 0:
        os.setsid()
        code = 1
        resource.setrlimit(resource.RLIMIT_CPU, (PROCESSOR, PROCESSOR))
        try:
            code = child(mutant, target, [test])
        finally:
            os._exit(code)
    return pid


def _waited(pid: int, within: float) -> tuple[bool, float]:
    """Whether it was noticed: a failing test, a crash, or no end within so many s."""
    began = time.monotonic()
    while time.monotonic() - began < within:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status) != 0, time.monotonic() - began
        time.sleep(0.02)
    os.killpg(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return True, within


def fate(mutant: Mutant, patience: float) -> Fate:
    seconds = 0.0
    for test in TARGETS[mutant.target][1]:
        noticed, took = _waited(_forked(mutant, mutant.target, test), patience)
        seconds += took
        if noticed:
            return Fate(mutant, test, seconds)
    return Fate(mutant, "", seconds)


# --- all of them ----------------------------------------------------------------------------------------------------
def warm() -> None:
    """What every fork needs and no mutant touches."""
    import numpy  # noqa: F401
    import pydantic  # noqa: F401
    import pytest
    import pyvisa_py  # noqa: F401
    import sqlalchemy  # noqa: F401

    import wakeboard.harness.describe.load
    import wakeboard.instruments.opening
    import wakeboard.instruments.virtual.bench
    import wakeboard.results.records  # noqa: F401

    with open(os.devnull, "w") as nothing, contextlib.redirect_stdout(nothing):
        pytest.main(["-q", "-p", "no:cacheprovider", NEUTRAL])  # pytest and its plugins are loaded with this
    for target in TARGETS:
        if _module_of(target) in sys.modules:
            raise RuntimeError(f"{target} is loaded already: its changes would not be seen")


def work(share: Sequence[Mutant], number: int, of: int, patience: float, out: Path) -> None:
    """Every of-th mutant, a line of JSON each."""
    with out.open("a", encoding="utf-8") as stream:
        for each in list(share)[number::of]:
            stream.write(json.dumps(asdict(fate(each, patience))) + "\n")
            stream.flush()


def table(fates: Sequence[dict[str, Any]]) -> tuple[list[str], float]:
    lines = ["| file | mutants | noticed | survived |", "| --- | ---: | ---: | ---: |"]
    for target, (path, _) in TARGETS.items():
        mine = [each for each in fates if each["mutant"]["target"] == target]
        alive = sum(1 for each in mine if not each["by"])
        if mine:
            lines.append(f"| `{path}` | {len(mine)} | {len(mine) - alive} | {alive} |")
    dead = sum(1 for each in fates if each["by"])
    share = dead / len(fates) if fates else 0.0
    lines.append(f"| all | {len(fates)} | {dead} ({share:.1%}) | {len(fates) - dead} |")
    survivors = sorted((e["mutant"]["target"], e["mutant"]["line"], e["mutant"]["what"]) for e in fates if not e["by"])
    lines += ["", *(f"survived: {TARGETS[target][0]}:{line}: {what}" for target, line, what in survivors)]
    return lines, share


def _unchanged_passes(share: Sequence[Mutant], patience: float) -> bool:
    good = True
    for test in sorted({test for each in share for test in TARGETS[each.target][1]}):
        failed, took = _waited(_forked(None, "core", test), patience)
        print(f"unchanged: {test} {'FAILS' if failed else 'passes'} in {took:.1f} s", file=sys.stderr, flush=True)
        good = good and not failed
    return good


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.mutation", description=__doc__)
    parser.add_argument("--only", action="append", choices=list(TARGETS), help="one file; may be repeated")
    parser.add_argument("--share", type=float, default=1.0, help="of the mutants, drawn by the seed")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--lanes", type=int, default=2)
    parser.add_argument("--patience", type=float, default=180.0, help="s for one file of tests")
    parser.add_argument(
        "--out", type=Path, default=Path("mutants.jsonl"), help="a line a mutant; what is there is kept"
    )
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--unchecked", action="store_true", help="without the tests on the unchanged files before")
    chosen = parser.parse_args()
    every = [each for target in chosen.only or TARGETS for each in mutants(target)]
    rng = random.Random(chosen.seed)
    drawn = sorted(rng.sample(range(len(every)), round(chosen.share * len(every))))
    share = [every[place] for place in drawn]
    if chosen.list:
        for each in share:
            print(f"{TARGETS[each.target][0]}:{each.line}: {each.what} ({each.target} {each.number})")
        return 0
    rng.shuffle(share)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.chdir(ROOT)
    warm()
    if not chosen.unchecked and not _unchanged_passes(share, chosen.patience):
        return 2
    lanes = []
    for number in range(chosen.lanes):
        pid = os.fork()
        if pid == 0:
            work(share, number, chosen.lanes, chosen.patience, chosen.out)
            os._exit(0)
        lanes.append(pid)
    for pid in lanes:
        os.waitpid(pid, 0)
    lines, noticed = table([json.loads(line) for line in chosen.out.read_text().splitlines()])
    print("\n".join(lines))
    return 0 if noticed >= LEAST else 1


if __name__ == "__main__":
    sys.exit(main())
