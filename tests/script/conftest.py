"""Skep's files in a folder of the test's own."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Generator
from pathlib import Path
from types import ModuleType

import pytest

import wakeboard as wb
from tests.script.project import CACHE


@pytest.fixture
def skep(tmp_path: Path) -> Path:
    return wb.skep(tmp_path / "skep")


@pytest.fixture
def imported() -> Generator[dict[str, ModuleType]]:
    """What there was when `pytester` ended: this is torn down after it, and puts that back."""
    modules: dict[str, ModuleType] = {}
    yield modules
    sys.modules.update(modules)


@pytest.fixture
def pytester(imported, pytester):
    """That which takes out, when it ends, what was first imported within its test: imported once more in the same
    process, a class is there twice, and some libraries refuse it. Here such modules stay."""
    yield pytester
    imported.update(sys.modules)


@pytest.fixture
def project(pytester, monkeypatch):
    """Skep's files as the root folder of a project with tests."""
    for variable in ("PYTEST_ADDOPTS", "PYTEST_PLUGINS"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", CACHE)
    for file in wb.skep(pytester.path / "made").iterdir():
        shutil.move(file, pytester.path / file.name)
    return pytester
