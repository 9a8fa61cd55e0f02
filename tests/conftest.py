"""The files that take longest are begun first, so that no worker is left alone with one of them at the end; and where
all are run, the solver is compiled before them, so that not each of a dozen processes does it beside the others."""

from __future__ import annotations

import os
import subprocess
import sys
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


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    first = {HERE / name: k for k, name in enumerate(LONG)}
    items.sort(key=lambda item: first.get(item.path, len(LONG)))


def pytest_configure(config: pytest.Config) -> None:
    whole = config.args_source is not pytest.Config.ArgsSource.ARGS
    if whole and not config.option.collectonly and not hasattr(config, "workerinput"):
        compiled = "from wakeboard.instruments.virtual.circuit.compiled import ahead; ahead.begin(); ahead.wait()"
        subprocess.run([sys.executable, "-P", "-c", compiled], check=True)
