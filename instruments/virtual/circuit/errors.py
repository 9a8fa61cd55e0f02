"""What can go wrong on the ground floor."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


class CircuitError(ValueError):
    """A circuit, a fault or a variant that makes no sense; `parts` names the parts (or nets) concerned."""

    def __init__(self, message: str, parts: Iterable[str] = ()) -> None:
        super().__init__(message)
        self.parts = tuple(parts)


class SolveError(RuntimeError):
    """No trustworthy answer: the member, the worst node, the parts on it, iterations and residual (A)."""

    def __init__(self, message: str, *, member: int, node: str, parts: tuple[str, ...], residual: float) -> None:
        super().__init__(message)
        self.member = member
        self.node = node
        self.parts = parts
        self.residual = residual


def nearest(found: str, allowed: Iterable[str]) -> str:
    """'; nearest: X' when a known name is close to what was found, else ''."""
    names = [str(name) for name in allowed]
    folded = {name.lower(): name for name in names}
    close = get_close_matches(found.lower(), list(folded), n=1, cutoff=0.5)
    return f"; nearest: {folded[close[0]]}" if close else ""
