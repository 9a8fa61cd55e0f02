"""The files that take longest are begun first, so that no worker is left alone with one of them at the end; and where
all are run, the solver is compiled before them, so that not each of a dozen processes does it beside the others.
A socket that was left open is found by the garbage collector in whatever test happens to run then: that test's report
says which test opened it, and where."""

from __future__ import annotations

import functools
import os
import re
import socket
import subprocess
import sys
import traceback
from collections.abc import Generator
from pathlib import Path

import pytest

# before anything imports numpy, for the workers too: `wakeboard` does the same, since on matrices of a hundred rows
# threads only wait for each other, and beside other workers that took most of the processor's time
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

HERE = Path(__file__).parent
LONG = (
    "test_documented_commands.py", "explain/test_mended.py", "campaign/test_campaign.py", "explain/test_ask_bench.py",
    "page/test_by_page.py", "explain/test_ask_hand.py", "script/test_pytest_ends.py", "run/test_wire.py",
    "page/test_hands.py", "review/test_fresh.py", "rehearse/test_same_as_run.py", "explain/test_reference_unit.py",
    "explain/test_ask_wire.py", "script/test_pytest_plugin.py", "explain/test_explaining.py",
)  # fmt: skip
"""By `pytest --durations=60`, a minute of it and more; the order costs time only where it is wrong."""

PLACES = 12
"""Calls told of how a socket was opened."""
_opened: dict[int, str] = {}
"""By file descriptor, the test and the calls that opened the last socket on it."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    first = {HERE / name: k for k, name in enumerate(LONG)}
    items.sort(key=lambda item: first.get(item.path, len(LONG)))


def pytest_configure(config: pytest.Config) -> None:
    _remember_sockets()
    whole = config.args_source is not pytest.Config.ArgsSource.ARGS
    if whole and not config.option.collectonly and not hasattr(config, "workerinput"):
        compiled = "from wakeboard.instruments.virtual.circuit.compiled import ahead; ahead.begin(); ahead.wait()"
        subprocess.run([sys.executable, "-P", "-c", compiled], check=True)


def _remember_sockets() -> None:
    opening = socket.socket.__init__

    @functools.wraps(opening)
    def remembering(self: socket.socket, *arguments: int | None, **named: int | None) -> None:
        opening(self, *arguments, **named)  # type: ignore[arg-type]
        calls = traceback.StackSummary.extract(traceback.walk_stack(None), limit=PLACES, lookup_lines=False)
        test = os.environ.get("PYTEST_CURRENT_TEST", "no test")
        _opened[self.fileno()] = "\n".join((test, *(f"  {call.filename}:{call.lineno} {call.name}" for call in calls)))

    socket.socket.__init__ = remembering  # type: ignore[method-assign]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    for number in dict.fromkeys(re.findall(r"socket.socket fd=(\d+)", report.longreprtext)):
        report.sections.append((f"who opened socket {number} of {item.nodeid}", _opened.get(int(number), "unknown")))
    return report
