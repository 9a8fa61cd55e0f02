"""Where the real files of open formats are: beside the repository, never in it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

FORMATS = Path(__file__).parents[3] / "shared" / "formats"


@pytest.fixture
def formats() -> Path:
    """The folder of real files; the test skips where it is not."""
    if FORMATS.is_dir():
        return FORMATS
    pytest.skip("the real files of open formats (../shared/formats) are not beside this checkout")
