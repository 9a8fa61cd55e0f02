"""Which unit is unlike the others: modified z-scores, and Grubbs' test to compare.

The modified z-score measures distance from the median in units of the median absolute deviation, so that the odd units
do not hide themselves (B. Iglewicz and D. C. Hoaglin, How to Detect and Handle Outliers, 1993: factor 0.6745, cut-off
3.5). Grubbs' test asks about one outlier, with a probability (NIST/SEMATECH e-Handbook 1.3.5.17.1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wakeboard.results.statistics.summary import StatisticsError, finite

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

FACTOR = 0.6745  # third quartile of the standard normal distribution: MAD / 0.6745 estimates its sd
CUT_OFF = 3.5  # Iglewicz and Hoaglin (1993), as the NIST/SEMATECH handbook gives it, 1.3.5.17 (from memory)
LEAST = 4  # with three values one of them is always the median: the two others decide about themselves

# For groups of n units with nothing odd (normally distributed): the share of groups in which the cut-off of 3.5 still
# marks at least one, and the cut-off that would do so in 1 group of 100. Measured: 400,000 groups each, numpy
# default_rng(1); standard error of the share below 0.001. Odd sizes fare worse: the median is then one of the units.
FALSE_ALARMS = {
    4: (0.170, 15.8),
    5: (0.208, 18.7),
    6: (0.154, 10.1),
    7: (0.170, 10.8),
    8: (0.138, 8.05),
    10: (0.126, 6.94),
    12: (0.117, 6.30),
    15: (0.115, 5.96),
    20: (0.098, 5.23),
    30: (0.089, 4.79),
    50: (0.086, 4.48),
    100: (0.097, 4.32),
    200: (0.133, 4.29),
}


@dataclass(frozen=True)
class OutlierResult:
    """Scores in the order of the values; `odd` holds the indices beyond the cut-off."""

    median: float
    mad: float
    scale: float
    scores: tuple[float, ...]
    odd: tuple[int, ...]
    says: str


@dataclass(frozen=True)
class GrubbsResult:
    """The farthest value, its distance from the mean in sd, the critical distance and the p-value."""

    index: int
    g: float
    critical: float
    p: float
    two_sided: bool

    @property
    def odd(self) -> bool:
        """Whether the farthest value is an outlier at the level asked for."""
        return self.g > self.critical


def _scale(distance: NDArray[np.float64], floor: float) -> tuple[float, float]:
    """(MAD, scale). Over half of the values equal gives MAD = 0; the mean absolute deviation then stands in
    (Iglewicz and Hoaglin, from memory: its factor 1.2533 = √(π/2)), unless the meter's uncertainty is known."""
    import numpy as np

    mad = float(np.median(distance))
    scale = mad / FACTOR
    if scale == 0.0 and floor == 0.0:
        scale = float(np.mean(distance)) * math.sqrt(math.pi / 2)
    return mad, max(scale, floor)


def outliers(values: Sequence[float], floor: float = 0.0, cut_off: float = CUT_OFF) -> OutlierResult:
    """Scores, and which values lie beyond the cut-off. Fewer than four values get scores of 0 and the reason."""
    import numpy as np

    array = finite(values, 1, "a comparison of units")
    median = float(np.median(array))
    distance = np.abs(array - median)
    mad, scale = _scale(distance, floor)
    if array.size < LEAST or scale == 0.0:
        return OutlierResult(median, mad, scale, (0.0,) * array.size, (), power_of_few(int(array.size)))
    scores = tuple(float(score) for score in (array - median) / scale)
    odd = tuple(index for index, score in enumerate(scores) if abs(score) > cut_off)
    return OutlierResult(median, mad, scale, scores, odd, power_of_few(int(array.size)))


def power_of_few(n: int) -> str:
    """What n units can and cannot tell about one that is unlike the others, in words."""
    if n < LEAST:
        return f"{n} {'unit cannot' if n == 1 else 'units cannot'} tell which one is odd: compare with the limits only"
    bound = (n - 1) / math.sqrt(n)
    majority = (n - 1) // 2
    words = f"{n} units can show up to {majority} that {'is' if majority == 1 else 'are'} unlike the rest; "
    words += f"an oddity that {majority + 1} or more share looks like the design and must be seen by the limits. "
    if bound < CUT_OFF:
        words += f"A plain z-score could never exceed {bound:.2f} here, so distance is taken from the median. "
    words += f"Among {n} units with nothing wrong a score beyond {CUT_OFF} still appears on about "
    words += f"{_measured(n)[0]:.0%} of checks: it says where to look, not what is broken."
    return words


def _measured(n: int) -> tuple[float, float]:
    return FALSE_ALARMS[max(size for size in FALSE_ALARMS if size <= n)]


def rare_cut_off(n: int) -> float:
    """The score that chance reaches in one check of a hundred among n units: what is beyond stands out by itself.

    A board has a hundred checks. At 3.5 five good units would give twenty marks, of which none means anything.
    """
    if n < LEAST:
        return math.inf
    return max(CUT_OFF, _measured(n)[1])


def grubbs(values: Sequence[float], alpha: float = 0.05, two_sided: bool = True) -> GrubbsResult:
    """Grubbs' test for one outlier among at least three normally distributed values."""
    import numpy as np
    from scipy import stats

    array = finite(values, 3, "Grubbs' test")
    n = int(array.size)
    sd = float(np.std(array, ddof=1))
    if sd == 0.0:
        raise StatisticsError("Grubbs' test needs values that differ; all are equal")
    distance = np.abs(array - array.mean()) / sd
    index = int(np.argmax(distance))
    g = float(distance[index])
    tails = 2 if two_sided else 1
    t = float(stats.t.isf(alpha / (tails * n), n - 2))
    critical = (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))
    spare = (n - 1) ** 2 / n - g * g  # 0 when all other values are equal
    reached = math.inf if spare <= 0 else g * math.sqrt((n - 2) / spare)
    p = min(1.0, tails * n * float(stats.t.sf(reached, n - 2)))
    return GrubbsResult(index, g, critical, p, two_sided)
