"""Skep's files in a folder of the test's own."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import wakeboard as wb
from tests.script.project import CACHE


@pytest.fixture
def skep(tmp_path: Path) -> Path:
    return wb.skep(tmp_path / "skep")


@pytest.fixture
def project(pytester, monkeypatch):
    """Skep's files as the root folder of a project with tests."""
    for variable in ("PYTEST_ADDOPTS", "PYTEST_PLUGINS"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", CACHE)
    for file in wb.skep(pytester.path / "made").iterdir():
        shutil.move(file, pytester.path / file.name)
    return pytester
