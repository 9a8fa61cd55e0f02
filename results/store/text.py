"""What any database takes: text without NUL and lone surrogates, finite numbers."""

from __future__ import annotations

import math
import re
from typing import Final

_REFUSED: Final = re.compile("[\0\ud800-\udfff]")


def clean(text: str) -> str:
    """Text that any database takes: NUL and lone surrogates become U+FFFD."""
    return _REFUSED.sub("\ufffd", text)


def number(value: float | None) -> float | None:
    """A finite float or None: no database agrees with another about NaN and infinity."""
    if value is None:
        return None
    value = float(value)
    return value if math.isfinite(value) else None
