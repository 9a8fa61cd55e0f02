"""Yield: the share of units that pass, and how sure a few units can make that.

Intervals by `scipy.stats.binomtest`: Clopper-Pearson ("exact", never too narrow) is what is shown; Wilson's is there
to compare. Source of the checks: R. G. Newcombe, Statistics in Medicine 17 (1998), table I.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from wakeboard.results.statistics.summary import StatisticsError

# `error` says that the bench failed and `skipped` that nothing was tried: neither says anything about the unit.
SAYS_NOTHING = frozenset({"error", "skipped"})


@dataclass(frozen=True)
class Proportion:
    """`passed` of `total`, with a two-sided interval at `confidence`. `share` is None for no units at all."""

    passed: int
    total: int
    share: float | None
    low: float
    high: float
    confidence: float

    @property
    def says(self) -> str:
        """The proportion and what it is worth, in words."""
        if self.share is None:
            return "no unit has finished a run: nothing is known about the yield"
        words = f"{self.passed} of {self.total} passed ({self.share:.1%}); "
        return words + f"the true yield lies between {self.low:.1%} and {self.high:.1%} ({self.confidence:.0%})"


@dataclass(frozen=True)
class YieldResult:
    """First-pass (each unit's first run that says something) and final yield (its last)."""

    first_pass: Proportion
    final: Proportion


def proportion(
    passed: int, total: int, confidence: float = 0.95, method: Literal["exact", "wilson"] = "exact"
) -> Proportion:
    """Share with its interval: method "exact" is Clopper and Pearson's, "wilson" the score interval."""
    from scipy import stats

    if not 0 <= passed <= total:
        raise StatisticsError(f"{passed} passed of {total} units is not a proportion")
    if total == 0:
        return Proportion(0, 0, None, 0.0, 1.0, confidence)
    interval = stats.binomtest(passed, total).proportion_ci(confidence_level=confidence, method=method)
    return Proportion(passed, total, passed / total, float(interval.low), float(interval.high), confidence)


def yields(runs: Iterable[tuple[str, str]], confidence: float = 0.95) -> YieldResult:
    """Yields from (unit, outcome) pairs in the order of the runs. Only `pass` counts as passed: marginal does not."""
    first: dict[str, str] = {}
    last: dict[str, str] = {}
    for unit, outcome in runs:
        if outcome in SAYS_NOTHING:
            continue
        first.setdefault(unit, outcome)
        last[unit] = outcome
    passed = (sum(outcome == "pass" for outcome in found.values()) for found in (first, last))
    return YieldResult(*(proportion(count, len(first), confidence) for count in passed))
