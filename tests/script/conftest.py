"""Skep's files in a folder of the test's own."""

from __future__ import annotations

from pathlib import Path

import pytest

import wakeboard as wb


@pytest.fixture
def skep(tmp_path: Path) -> Path:
    return wb.skep(tmp_path / "skep")
