"""What the tests of the pytest plug-in share: Skep as a project of its own, and a pytest run in it."""

from __future__ import annotations

import os
import time
from importlib import metadata
from pathlib import Path

import pytest

from tests import warm

KNOWN = any(point.name == "wakeboard" for point in metadata.entry_points(group="pytest11"))
CACHE = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
"""Where the compiled solver is: pytester gives each test a home of its own."""
PLUGIN = () if KNOWN else ("-p", "wakeboard.harness.pytest_plugin")


def run(pytester, *args):
    """As pytester's own subprocess, in one that is warm."""
    given = [f"--basetemp={pytester.path / 'temporary'}", *PLUGIN, "-p", "no:xdist", "--wb-unit", "SK-A-001", *args]
    begun = time.monotonic()
    process = warm.start(given, pytester.path, os.environ, program="pytest")
    said = [each.decode().splitlines() for each in process.communicate(timeout=300)]
    return pytest.RunResult(process.returncode, *said, time.monotonic() - begun)
