"""Hardware tests as pytest tests: fixtures for a board at the bench, sequence files collected as tests.

    def test_the_main_rail(supply, point):
        supply("USB").on(limit="120 mA", check="> 1 kΩ")
        assert 3.2 < point("+3V3").volts() < 3.4

Installed with Wakeboard (entry point `pytest11`), it does nothing until a test asks for a fixture or a sequence file is
named; `-p no:wakeboard` keeps it out. This module loads nothing of Wakeboard: what it needs is loaded when it is used.
What there is: `pytest --fixtures` and `pytest --help`, each with its words; the README has a beginning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from pathlib import Path

    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.pytest_plugin.places import Point, Supply
    from wakeboard.harness.pytest_plugin.table import BenchTable
    from wakeboard.harness.script.seat import Seat
    from wakeboard.results.records import Step

MARK = "needs_power"
UNIT = "PYTEST-1"
_TABLE = pytest.StashKey["BenchTable"]()


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("wakeboard", "a circuit board at the bench (Wakeboard)")
    add = group.addoption
    add("--wb-board", metavar="FILE", help="The board file. Default: ini wakeboard_board, else board.toml at the root.")
    add("--wb-unit", metavar="SN", default=UNIT, help=f"The serial number of the unit. Default: {UNIT}.")
    add("--wb-bench", metavar="FILE", help="The bench file. Without one: the virtual bench.")
    add("--wb-plant", metavar="FAULT", action="append", default=None, help="A fault in the virtual board; repeat it.")
    add("--wb-db", metavar="FILE", help="The file of results. Default: wakeboard.db beside the board file.")
    add("--wb-energise", action="store_true", help="Stands for a person's key before power goes on at a real bench.")
    parser.addini("wakeboard_board", "the board file, from the root folder", default="board.toml")
    parser.addini("wakeboard_sequences", "sequence files to collect as tests (patterns)", type="args", default=[])


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", f"{MARK}: switches supplies on, or needs one that is on (-m 'not {MARK}')")
    spread = getattr(config.option, "numprocesses", None) or hasattr(config, "workerinput")
    if spread and config.getoption("wb_bench", None):
        raise pytest.UsageError("--wb-bench with -n: one bench serves one process; leave -n (pytest-xdist) away")


def pytest_sessionfinish(session: pytest.Session) -> None:
    """After the last test, -x, Ctrl-C: off. What cannot be confirmed is raised."""
    _off(session.config)


def pytest_unconfigure(config: pytest.Config) -> None:
    """The last word, whatever was raised before."""
    _off(config)


def _off(config: pytest.Config) -> None:
    table = config.stash.get(_TABLE, None)
    if table is not None:
        table.close()


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    if file_path.suffix != ".toml":
        return None
    patterns = parent.config.getini("wakeboard_sequences")
    if not (parent.session.isinitpath(file_path) or any(file_path.match(each) for each in patterns)):
        return None
    from wakeboard.harness.pytest_plugin.steps import SequenceFile, is_sequence

    return SequenceFile.from_parent(parent, path=file_path) if is_sequence(file_path) else None


def pytest_runtest_teardown(item: pytest.Item, nextitem: pytest.Item | None) -> None:
    """A step learns what follows: after the last of its file the power goes off."""
    if hasattr(item, "follows"):
        item.follows(nextitem)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """What a test has read stands in its report, also where it fails."""
    try:
        return (yield)
    finally:
        table = item.config.stash.get(_TABLE, None)
        if table is not None and not hasattr(item, "follows"):
            table.tell(item)


def bench_table(config: pytest.Config) -> BenchTable:
    """The one bench of this session."""
    if _TABLE not in config.stash:
        from wakeboard.harness.pytest_plugin.table import BenchTable

        config.stash[_TABLE] = BenchTable(config)
    return config.stash[_TABLE]


# --- fixtures ---------------------------------------------------------------------------------------------------------
@pytest.fixture(scope="session")
def board(pytestconfig: pytest.Config) -> Board:
    """The board of --wb-board."""
    return bench_table(pytestconfig).board


@pytest.fixture(scope="session")
def unit(pytestconfig: pytest.Config) -> str:
    """The serial number of --wb-unit."""
    return bench_table(pytestconfig).unit


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[Seat]:
    """The unit at the bench: check, power, read, drive, step. What is on goes off when the test ends."""
    from wakeboard.harness.pytest_plugin.places import allowed

    table = bench_table(request.config)
    seat = table.seat(lambda do: allowed(request.node, do))
    try:
        yield seat
    finally:
        table.test_ends(request.node)


@pytest.fixture
def supply(bench: Seat, request: pytest.FixtureRequest) -> Callable[[str], Supply]:
    """supply("USB").on(limit="120 mA"), .off(), .amps()"""
    from wakeboard.harness.pytest_plugin.places import Supply

    return lambda name: Supply(bench, name, request.node)


@pytest.fixture
def point(bench: Seat) -> Callable[[str], Point]:
    """point("TP7").volts()"""
    from wakeboard.harness.pytest_plugin.places import Point

    return lambda name: Point(bench, name)


@pytest.fixture
def run_step(bench: Seat, request: pytest.FixtureRequest) -> Callable[..., Step]:
    """run_step(do="rails"): one step of a sequence; fails the test where the step is no pass."""
    from wakeboard.harness.pytest_plugin.places import allowed, must_pass

    def step(**table: Any) -> Step:
        allowed(request.node, table.get("do", ""))
        return must_pass(bench.step(**table))

    return step
