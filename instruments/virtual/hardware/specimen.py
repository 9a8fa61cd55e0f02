"""The errors that one specimen of an instrument has: drawn by its serial number, the same tomorrow."""

from __future__ import annotations

from functools import lru_cache
from random import Random

SHARE = 0.6  # of its accuracy figure: a maker's figure is rarely used up


@lru_cache(maxsize=4096)
def drawn(serial: str, *what: object) -> float:
    """A number in -SHARE .. +SHARE, fixed by serial number and purpose."""
    return Random("/".join(map(str, (serial, *what)))).uniform(-SHARE, SHARE)
