"""Values within their tolerances: what one specimen's parts are, drawn the same again tomorrow."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import lru_cache

from .errors import CircuitError
from .part import Part, Value


@lru_cache(maxsize=65536)
def draw(seed: int, part: str, path: str) -> float:
    """A number in (-1, 1), uniform, that depends on nothing but (seed, part, path).

    Uniform because a tolerance states limits and no more (JCGM 100:2008, 4.3.7); hashed because a unit must be the same
    whatever else is on the board.
    """
    digest = hashlib.blake2b(f"{seed}\0{part}\0{path}".encode(), digest_size=8).digest()
    return (int.from_bytes(digest, "big") + 0.5) / 2**63 - 1


def nominal(part: Part, path: str) -> float:
    """The drawn value at a path ("ohms", "GPIO7.pull_up"); CircuitError if it is no number."""
    head, dot, tail = path.partition(".")
    found: Value = part.values.get(path)
    if dot and found is None:
        for table in ("io", "supply"):
            found = part.values.get(table, {}).get(head, {}).get(tail, found)
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise CircuitError(f"{part.name}: tolerance of {path!r}, but that value is {found!r}", [part.name])
    return float(found)


def ends(part: Part) -> Mapping[str, tuple[float, float]]:
    """The least and the most that each toleranced value may be."""
    relative = {path: (nominal(part, path), share) for path, share in part.tolerance.items()}
    out = {path: (value * (1 - share), value * (1 + share)) for path, (value, share) in relative.items()}
    return {**out, **part.bounds}


def specimen(part: Part, seed: int) -> Mapping[str, float]:
    """The part's toleranced values in the unit `seed`."""
    drawn = {
        path: nominal(part, path) * (1 + relative * draw(seed, part.name, path))
        for path, relative in part.tolerance.items()
    }
    for path, (low, high) in part.bounds.items():
        drawn[path] = 0.5 * (low + high) + 0.5 * (high - low) * draw(seed, part.name, path)
    return drawn
