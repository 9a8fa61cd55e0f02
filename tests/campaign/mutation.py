"""Mutants: each is one small change to the code that safety rests on (mutants.py); a test must notice it.

    python -m tests.campaign.mutation                        all mutants of all files, two at a time
    python -m tests.campaign.mutation --share 0.2            a fifth of them, drawn by a seed
    python -m tests.campaign.mutation --only core --list     what there is
    python -m tests.campaign.mutation --only core --line 97  those of one line, with the test that noticed each
    python -m tests.campaign.mutation --keep FOLDER --minutes 5    in pieces: goes on where the last one stopped
    python -m tests.campaign.mutation --keep FOLDER --again  what survived so far once more, after new tests
    python -m tests.campaign.mutation --slow 5               on a machine that is busy: as if it were so much slower

One pytest session, warm: it runs every test of TESTS once on the unchanged files, and keeps which lines each of them
reaches and how long it takes. For each mutant a fork puts the changed function in place and runs the tests that reach
its line, the quick ones first, BUDGET seconds of them at most, until one fails. A mutant that runs on for ever counts
as noticed, and is told apart. Beside the mutants, forks that change nothing: where a test fails in one of them, the
figures are worth nothing, and the exit code is 2. Exit code 1 where fewer than 95 % are noticed, or not all are tried.

What is kept in a folder holds for the file as it was: of a file that has changed since, all is tried again.

Two processes at work are not reached by this: what starts the guard's process is tried by test_guard_process.py and by
the campaign (`python -m tests.campaign`).
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import json
import os
import random
import resource
import signal
import sys
import threading
import time
import types
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from tests.campaign.mutants import FILES, ROOT, Mutant, changed, module_of, mutants

LEAST = 0.95
BUDGET = 6.0  # s of tests for one mutant, as they take on the unchanged files
SLOW = 3.5  # s: a test that takes longer is left out
AT_ONCE = 60  # tests that are tried unchanged before what is known of them is kept
CONTROLS = 24  # forks that change nothing
WAIT, WAIT_TIMES = 30.0, 10.0  # s, and times what its tests take: a mutant that says nothing for longer runs on
STILL = "ran on for ever"
TESTS = (
    *(f"tests/run/test_guard_{each}.py" for each in ("core", "owner", "loop", "client", "main", "local")),
    *(f"tests/run/test_{each}.py" for each in ("armed", "presses", "power_faults", "runner", "runner_end")),
    *(f"tests/run/test_{each}.py" for each in ("lying_supply", "slow_supply", "leases", "decide", "off")),
    *(
        f"tests/results/test_{each}.py"
        for each in ("store", "store_settle", "store_watch", "store_shared", "store_old")
    ),
)


@dataclass(frozen=True)
class Fate:
    """by: the test that noticed it, "" where none did."""

    mutant: Mutant | None
    by: str
    seconds: float
    of: str = ""  # the digest of the file


@dataclass
class Reach:
    """Of each test: how long it takes (s), and the lines that it runs, by target."""

    seconds: dict[str, float] = field(default_factory=dict)
    lines: dict[str, dict[str, set[int]]] = field(default_factory=dict)

    def tests(self, mutant: Mutant, budget: float) -> list[str]:
        """Those that reach it, the quick ones first, within the budget (s). A constant of the module is anybody's, also
        of who only reads it."""
        span = set(range(mutant.lines[0], mutant.lines[1] + 1))
        met = [
            test
            for test, reached in self.lines.items()
            if (span & reached.get(mutant.target, set()) if mutant.within else mutant.target in reached or not reached)
        ]
        chosen, left = [], budget
        for test in sorted(met, key=lambda each: self.seconds[each]):
            if self.seconds[test] > left:
                break
            chosen.append(test)
            left -= self.seconds[test]
        return chosen


# --- putting a change in place --------------------------------------------------------------------------------------
def put(mutant: Mutant) -> None:
    """The change, in the modules as they are loaded."""
    name, path = module_of(mutant.target), str(ROOT / FILES[mutant.target])
    code = compile(changed(mutant), path, "exec")
    if mutant.within:
        new = next(each for each in _inner(code) if each.co_qualname == mutant.within and _spans(each, mutant))
        old = [each for each in gc.get_objects() if isinstance(each, types.FunctionType) and _same(each, new)]
        if not old:
            raise RuntimeError(f"{mutant.within} of {path} is not loaded")
        for function in old:
            function.__code__ = new
        return
    made: dict[str, Any] = {"__name__": name, "__file__": path}
    module = types.ModuleType(name)
    module.__dict__.update(made)
    loaded, sys.modules[name] = sys.modules[name], module  # dataclasses look their module up
    try:
        exec(code, module.__dict__)
    finally:
        sys.modules[name] = loaded
    for each, value in module.__dict__.items():
        _replace(loaded, each, value)


def _inner(code: types.CodeType) -> Iterator[types.CodeType]:
    for each in code.co_consts:
        if isinstance(each, types.CodeType):
            yield each
            yield from _inner(each)


def _spans(code: types.CodeType, mutant: Mutant) -> bool:
    """A property and its setter have one name."""
    lines = [line for _, _, line in code.co_lines() if line]
    return code.co_firstlineno <= mutant.line <= max([*lines, *_last_lines(code), mutant.lines[1]])


def _last_lines(code: types.CodeType) -> list[int]:
    return [line for each in _inner(code) for _, _, line in each.co_lines() if line]


def _same(function: types.FunctionType, code: types.CodeType) -> bool:
    old = function.__code__
    return (old.co_filename, old.co_qualname, old.co_firstlineno) == (
        code.co_filename, code.co_qualname, code.co_firstlineno,
    )  # fmt: skip


def _replace(loaded: types.ModuleType, name: str, value: Any) -> None:
    """A constant, wherever it was imported to; the defaults of a class that is made by its fields."""
    before = loaded.__dict__.get(name)
    if isinstance(value, type) and isinstance(before, type):
        made, init = value.__dict__.get("__init__"), before.__dict__.get("__init__")
        if isinstance(made, types.FunctionType) and isinstance(init, types.FunctionType):
            init.__defaults__, init.__kwdefaults__ = made.__defaults__, made.__kwdefaults__
        return
    if isinstance(value, (types.FunctionType, types.ModuleType)) or name.startswith("__") or before == value:
        return
    for module in list(sys.modules.values()):
        if getattr(module, name, None) is before and module.__name__.startswith(("wakeboard.", "tests.", "test_")):
            setattr(module, name, value)


# --- the session ----------------------------------------------------------------------------------------------------
class Session:
    """A plug-in of pytest: takes over the loop once the tests are collected."""

    def __init__(
        self, share: Sequence[Mutant], lanes: int, out: Path, reach: Path | None, ends: float, slow: float = 1.0
    ) -> None:
        """reach: where it is kept which test reaches what; ends: begin nothing after this (time.monotonic); slow: how
        much longer tests take here than on a machine that does nothing else."""
        self.share, self.lanes, self.out, self.kept_reach, self.ends = share, lanes, out, reach, ends
        self.slow = slow
        self.reach = Reach()
        self.items: dict[str, Any] = {}
        self.failed: list[str] = []
        self.code = 0

    def pytest_runtestloop(self, session: Any) -> bool:
        self.items = {item.nodeid: item for item in session.items}
        warm()
        if not self._known_all(session.items):
            return True
        controls: list[Mutant | None] = [None] * CONTROLS
        work = [*self.share, *controls]
        random.Random(1).shuffle(work)
        pids = [self._lane(work[number :: self.lanes]) for number in range(self.lanes)]
        for pid in pids:
            os.waitpid(pid, 0)
        return True

    def _known_all(self, items: Sequence[Any]) -> bool:
        """Each test is tried, some at a time; what is known of them is kept. False where the time was over before."""
        tried = self._kept()
        new = [item for item in items if item.nodeid not in tried]
        for first in range(0, len(new), AT_ONCE):
            if time.monotonic() > self.ends:
                return False
            some = new[first : first + AT_ONCE]
            self.unchanged(some)
            tried += [item.nodeid for item in some]
            if self.kept_reach is not None:
                self.kept_reach.write_text(json.dumps({"tried": tried, **asdict(self.reach)}, default=sorted))
        total = sum(self.reach.seconds.values())
        print(f"unchanged: {len(self.reach.seconds)} tests, in {total:.0f} s", file=sys.stderr)
        return True

    def _kept(self) -> list[str]:
        """What is known of the tests that are still there; those that were tried before."""
        if self.kept_reach is None or not self.kept_reach.exists():
            return []
        kept = json.loads(self.kept_reach.read_text())
        there = [test for test in kept["tried"] if test in self.items]
        self.reach.seconds = {test: took for test, took in kept["seconds"].items() if test in self.items}
        for test, of in kept["lines"].items():
            if test in self.items:
                self.reach.lines[test] = {name: set(each) for name, each in of.items()}
        return there

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            self.failed.append(report.nodeid)

    def unchanged(self, items: Sequence[Any]) -> None:
        """Every test once: how long it takes, what it reaches. One that fails, or is slow, is left out and named."""
        paths = {str(ROOT / path): target for target, path in FILES.items()}
        for item, following in zip(items, [*items[1:], None], strict=True):
            reached: dict[str, set[int]] = {}
            tracer = _tracer(paths, reached)
            self.failed.clear()
            threading.settrace(tracer)
            sys.settrace(tracer)
            try:
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            finally:
                sys.settrace(None)
                threading.settrace(None)  # type: ignore[arg-type]
            if self.failed:
                print(f"left out: {item.nodeid}: FAILS", file=sys.stderr)
            else:
                self.reach.lines[item.nodeid] = reached
        self._timed([item for item in items if item.nodeid in self.reach.lines])

    def _timed(self, items: Sequence[Any]) -> None:
        """A second time, without the tracer, which costs more than the tests."""
        for item, following in zip(items, [*items[1:], None], strict=True):
            began = time.perf_counter()
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            took = time.perf_counter() - began
            self.reach.seconds[item.nodeid] = took
            if took > SLOW * self.slow:
                print(f"left out: {item.nodeid}: {took:.1f} s", file=sys.stderr)
                del self.reach.lines[item.nodeid], self.reach.seconds[item.nodeid]

    def _lane(self, work: Sequence[Mutant | None]) -> int:
        pid = _fork()
        if pid:
            return pid
        with self.out.open("a", encoding="utf-8") as stream:
            for each in work:
                if time.monotonic() > self.ends:
                    break
                stream.write(json.dumps(asdict(self.fate(each))) + "\n")
                stream.flush()
        os._exit(0)

    def fate(self, mutant: Mutant | None) -> Fate:
        if mutant is None:
            tests = random.sample(sorted(self.reach.seconds), min(30, len(self.reach.seconds)))
        else:
            tests = self.reach.tests(mutant, BUDGET * self.slow)
        of = digest(mutant.target) if mutant is not None else ""
        if not tests:
            return Fate(mutant, "", 0.0, of)
        took = sum(self.reach.seconds[test] for test in tests)
        ear, mouth = os.pipe()
        began = time.monotonic()
        pid = _fork()
        if pid == 0:
            os.close(ear)
            self._child(mutant, tests, mouth, took)
        os.close(mouth)
        by = _heard(ear, pid, WAIT + WAIT_TIMES * took)
        return Fate(mutant, by, time.monotonic() - began, of)

    def _child(self, mutant: Mutant | None, tests: Sequence[str], mouth: int, took: float) -> None:
        by = "crashed"
        try:
            os.setsid()
            limit = round(6 + 4 * took)
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit))
            null = os.open(os.devnull, os.O_RDWR)
            for number in (0, 1, 2):
                os.dup2(null, number)
            if mutant is not None:
                put(mutant)
            by = self._first_failure(tests)
        except Exception as error:  # noqa: BLE001
            by = f"crashed: {type(error).__name__}: {error}"
        finally:
            os.write(mouth, (by or "-").encode()[:4000])
            os._exit(0)

    def _first_failure(self, tests: Sequence[str]) -> str:
        items = [self.items[test] for test in tests]
        for item, following in zip(items, [*items[1:], None], strict=True):
            self.failed.clear()
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if self.failed:
                return str(item.nodeid)
        return ""


def _tracer(paths: dict[str, str], reached: dict[str, set[int]]) -> Callable[..., Any]:
    def calls(frame: types.FrameType, _event: str, _argument: Any) -> Any:
        target = paths.get(frame.f_code.co_filename)
        if target is None:
            return None
        lines = reached.setdefault(target, set())

        def line(inner: types.FrameType, _event: str, _argument: Any) -> Any:
            lines.add(inner.f_lineno)
            return line

        lines.add(frame.f_lineno)
        return line

    return calls


def warm() -> None:
    """What is read or compiled once, before anything is timed."""
    import importlib

    for target in FILES:
        importlib.import_module(module_of(target))


def _fork() -> int:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of threads that idle
        return os.fork()


def _heard(ear: int, pid: int, within: float) -> str:
    """What the child says: the test that noticed, "" for none; where it says nothing in time, that it ran on."""
    import select

    ready, _, _ = select.select([ear], [], [], within)
    said = os.read(ear, 4096).decode() if ready else ""
    os.close(ear)
    if not said:
        try:
            os.killpg(pid, signal.SIGKILL)
        except OSError:
            os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return STILL if not said else "" if said == "-" else said


# --- what is kept between pieces ------------------------------------------------------------------------------------
@cache
def digest(*targets: str) -> str:
    """Of the text of these files, of all where none is named."""
    paths = [ROOT / FILES[each] for each in targets or FILES]
    return hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()[:12]


def still_true(lines: Sequence[str], again: bool) -> list[dict[str, Any]]:
    """The last fate of each mutant of a file that has not changed since, and the controls. again: not the survivors."""
    last: dict[Any, dict[str, Any]] = {}
    for place, each in enumerate(map(json.loads, lines)):
        mutant = each["mutant"]
        if mutant is None:
            last[place] = each
        elif each["of"] == digest(mutant["target"]):
            last[mutant["target"], mutant["number"]] = each
    return [each for each in last.values() if each["by"] or not again or each["mutant"] is None]


# --- the command ----------------------------------------------------------------------------------------------------
def table(fates: Sequence[dict[str, Any]]) -> tuple[list[str], float]:
    lines = [
        "| file | mutants | noticed | of these, ran on for ever | survived |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    lines += [
        _row(f"`{path}`", [e for e in fates if e["mutant"]["target"] == target]) for target, path in FILES.items()
    ]
    lines.append(_row("all", fates))
    survivors = sorted((e["mutant"]["target"], e["mutant"]["line"], e["mutant"]["what"]) for e in fates if not e["by"])
    lines += ["", *(f"survived: {FILES[target]}:{line}: {what}" for target, line, what in survivors)]
    share = sum(1 for each in fates if each["by"]) / len(fates) if fates else 0.0
    return [line for line in lines if line is not None], share


def _row(name: str, fates: Sequence[dict[str, Any]]) -> str:
    dead = sum(1 for each in fates if each["by"])
    still = sum(1 for each in fates if each["by"] == STILL)
    share = f" ({dead / len(fates):.1%})" if fates else ""
    return f"| {name} | {len(fates)} | {dead}{share} | {still} | {len(fates) - dead} |"


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.mutation", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--only", action="append", choices=list(FILES), help="one file; may be repeated")
    parser.add_argument("--line", type=int, action="append", help="one line; may be repeated")
    parser.add_argument("--tests", action="append", help="a file of tests in place of all of them; may be repeated")
    parser.add_argument("--share", type=float, default=1.0, help="of the mutants, drawn by the seed")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--lanes", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("mutants.jsonl"), help="a line a mutant; begun anew")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="go on where the last piece stopped")
    parser.add_argument("--again", action="store_true", help="with --keep: try what survived so far once more")
    parser.add_argument("--minutes", type=float, default=1e6, help="begin nothing new after so many")
    parser.add_argument("--slow", type=float, default=1.0, help="how much longer tests take here, for others' work")
    parser.add_argument("--list", action="store_true")
    return parser.parse_args()


def _share(chosen: argparse.Namespace) -> list[Mutant]:
    every = [each for target in chosen.only or FILES for each in mutants(target)]
    if chosen.line:
        every = [each for each in every if each.line in chosen.line]
    drawn = random.Random(chosen.seed).sample(range(len(every)), round(chosen.share * len(every)))
    return [every[place] for place in sorted(drawn)]


def main() -> int:
    import pytest

    chosen = _arguments()
    share = _share(chosen)
    if chosen.list:
        print("\n".join(f"{FILES[each.target]}:{each.line}: {each.what} ({each.within})" for each in share))
        return 0
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.chdir(ROOT)
    there = chosen.tests or [each for each in TESTS if (ROOT / each).exists()]
    out, reach = chosen.out.absolute(), None
    if chosen.keep is not None:
        chosen.keep.mkdir(parents=True, exist_ok=True)
        out = chosen.keep.absolute() / "mutants.jsonl"
        reach = chosen.keep.absolute() / f"reach-{digest()}.json"
    kept = still_true(out.read_text().splitlines(), chosen.again) if reach and out.exists() else []
    out.write_text("".join(json.dumps(each) + "\n" for each in kept))
    tried = {(e["mutant"]["target"], e["mutant"]["number"]) for e in kept if e["mutant"]}
    left = [each for each in share if (each.target, each.number) not in tried]
    session = Session(left, chosen.lanes, out, reach, time.monotonic() + 60 * chosen.minutes, chosen.slow)
    if left:
        options = ["-q", "-s", "-n0", "-p", "no:cacheprovider", "-p", "no:faulthandler"]
        pytest.main([*options, *there], plugins=[session])
    fates = [json.loads(line) for line in out.read_text().splitlines()]
    if wrong := [each["by"] for each in fates if each["mutant"] is None and each["by"]]:
        print(f"a test fails although nothing was changed: {', '.join(wrong)}", file=sys.stderr)
        return 2
    mine = [each for each in fates if each["mutant"]]
    if chosen.line:
        print("\n".join(f"{e['mutant']['line']}: {e['mutant']['what']}: {e['by'] or 'SURVIVED'}" for e in mine))
    lines, noticed = table(mine)
    print("\n".join(lines))
    wanted = {(each.target, each.number) for each in share}
    missing = len(wanted - {(e["mutant"]["target"], e["mutant"]["number"]) for e in mine})
    if missing:
        print(f"\nNOT WHOLE: {missing} of {len(share)} were not tried.")
    return 0 if noticed >= LEAST and not missing else 1


if __name__ == "__main__":
    sys.exit(main())
