"""How far an uncertainty reaches where a part of it comes from few samples: effective degrees of freedom and t.

JCGM 100:2008 (the GUM), Annex G. Twice a standard uncertainty covers 95.45 % only where it is known well; from the
scatter of four samples alone it covers 86 %. Everything that judges here goes by U = 2u. So the u of a reading is half
of what the interval of 95.45 % needs: u_c·t/2, t from Student's distribution with the effective degrees of freedom
(G.4.1, Welch and Satterthwaite); with nothing but well-known parts it is the combined uncertainty itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

COVERED: Final = math.erf(math.sqrt(2.0))  # 95.45 %: what ± 2 of a normal distribution covers

Part = tuple[float, float]
"""A standard uncertainty and its degrees of freedom; infinite where it is known, as from a data sheet (G.4.3)."""


def effective_degrees(parts: Iterable[Part]) -> float:
    """Degrees of freedom of a combined uncertainty (G.4.1), inf where no part comes from samples."""
    pairs = [(u, dof) for u, dof in parts if u > 0]
    largest = max((u for u, _ in pairs), default=0.0)
    if largest == 0:
        return math.inf
    doubt = sum((u / largest) ** 4 / dof for u, dof in pairs)
    total = sum((u / largest) ** 2 for u, _ in pairs)
    return total**2 / doubt if doubt else math.inf


def coverage_factor(degrees: float, covered: float = COVERED) -> float:
    """Student's t that covers a share, two-sided; degrees of freedom are cut to whole ones (G.4.1), 1 at least."""
    from scipy.special import ndtri, stdtrit

    tail = (1 + covered) / 2
    return float(ndtri(tail) if math.isinf(degrees) else stdtrit(max(1, math.floor(degrees)), tail))


def half_expanded(parts: Iterable[Part]) -> float:
    """u_c·t/2: the u for which ± 2u covers 95.45 %."""
    pairs = list(parts)
    combined = math.hypot(*(u for u, _ in pairs))
    degrees = effective_degrees(pairs)
    return combined if math.isinf(degrees) else combined * coverage_factor(degrees) / 2


def of_mean(values: list[float]) -> tuple[float, Part]:
    """The mean of some samples, and what their scatter says of it (4.2.3); (0, inf) for one sample."""
    count = len(values)
    mean = sum(values) / count
    if count < 2:
        return mean, (0.0, math.inf)
    variance = sum((value - mean) ** 2 for value in values) / (count - 1)
    return mean, (math.sqrt(variance / count), count - 1)
