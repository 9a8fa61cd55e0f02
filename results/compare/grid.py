"""Checks by units: of each place the worst judgement of all, and the limits that the judgements ask for.

A check may be judged more than once: by a step with the board's limits and by a later one with the circuit's, or in two
sequences. Every judgement counts: the worst one stands in its place, the latest of equals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from wakeboard.results.compare.table import CODES, Check, ReadingTable

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

ODD = frozenset({"fail", "marginal"})
NOTHING = -1  # no reading of this check from this unit
Limits = tuple[float | None, float | None]  # low, high
_WORSE = {"marginal": 1, "fail": 2, "tripped": 2}  # how bad a judgement is; what is not named is 0
_SEVERITY = tuple(_WORSE.get(name, 0) for name in CODES)


@dataclass(frozen=True)
class Grid:
    """Checks by units, shape (checks, units), one number in each place; NaN or NOTHING where none was taken.

    limits: of each check, one pair that holds every judgement, or the pairs that contradict each other, worst first.
    """

    checks: Sequence[Check]
    value: NDArray[np.float64]
    u: NDArray[np.float64]
    outcome: NDArray[np.int8]
    limits: dict[int, tuple[Limits, ...]]
    dark: dict[str, NDArray[np.bool_]]  # bench state -> units whose rails were not good in it
    rails: frozenset[int]  # checks taken by a step that checks rails

    @classmethod
    def of(cls, table: ReadingTable, units: Sequence[str], runs: Sequence[int], older: Sequence[int] = ()) -> Grid:
        """The grid of these runs of a table (indices into its runs). `older`: runs from before a rework, which fill
        only the places that the others leave empty."""
        import numpy as np

        table = table.of_runs([*older, *runs])
        place = {unit: index for index, unit in enumerate(units)}
        by_run = np.array([place[run.unit] for run in table.runs], dtype=np.int64)
        says = (table.outcome != CODES["error"]) & (table.outcome != CODES["skipped"])
        column = by_run[table.run] if table.run.size else table.run
        rows = np.flatnonzero(says)
        rank = _severities(table.outcome[rows]) - 9 * np.isin(table.run[rows], list(older))
        rows = rows[np.argsort(rank, kind="stable")]  # the worst last: its assignment stays
        at = (table.check[rows], column[rows])

        def spread(numbers: NDArray[Any], empty: float, kind: Any) -> NDArray[Any]:
            filled = np.full((len(table.checks), len(units)), empty, dtype=kind)
            filled[at] = numbers[rows]
            return filled

        return cls(
            checks=table.checks,
            value=spread(table.value, np.nan, np.float64),
            u=spread(table.u, np.nan, np.float64),
            outcome=spread(table.outcome, NOTHING, np.int8),
            limits=_limits(table, rows),
            dark=dark_units(table, column, len(units)),
            rails=rail_checks(table),
        )

    def taken(self, index: int) -> bool:
        """Whether any unit has a reading of this check."""
        return bool((self.outcome[index] != NOTHING).any())

    def outside(self, index: int) -> NDArray[np.bool_]:
        """Units in which a judgement of this check failed or was marginal."""
        import numpy as np

        found: NDArray[np.bool_] = np.isin(self.outcome[index], [CODES[o] for o in ODD])
        return found

    def counted(self, index: int) -> NDArray[np.bool_]:
        """Units whose reading of this check tells about the design: all that took it where no rails were good."""
        lit = self.lit(index)
        return lit if lit.any() else self.outcome[index] != NOTHING

    def lit(self, index: int) -> NDArray[np.bool_]:
        """Units that took this check with their rails good."""
        taken: NDArray[np.bool_] = self.outcome[index] != NOTHING
        dark = self.dark.get(powered(self.checks[index].state))
        return taken if dark is None or index in self.rails else taken & ~dark

    def limits_of(self, index: int) -> tuple[Limits, ...]:
        """The limits of a check; empty where no judgement had any."""
        return self.limits.get(index, ())


def severity(code: int) -> int:
    """How bad a judgement is, by its code: 0 where it passed."""
    return _SEVERITY[code]


def _severities(outcome: NDArray[np.int8]) -> NDArray[np.int64]:
    import numpy as np

    found: NDArray[np.int64] = np.array(_SEVERITY, dtype=np.int64)[outcome]
    return found


def _limits(table: ReadingTable, rows: NDArray[np.int64]) -> dict[int, tuple[Limits, ...]]:
    """Check -> what all of its judgements allow; `rows`: judgements, the worst last."""
    import numpy as np

    if not rows.size:
        return {}
    order = np.argsort(table.check[rows], kind="stable")
    sorted_rows = rows[order]
    check = table.check[sorted_rows]
    starts = np.flatnonzero(np.r_[True, np.diff(check) != 0])
    low = np.fmax.reduceat(np.nan_to_num(table.low[sorted_rows], nan=-np.inf), starts)
    high = np.fmin.reduceat(np.nan_to_num(table.high[sorted_rows], nan=np.inf), starts)
    ends = np.r_[starts[1:], check.size]
    found: dict[int, tuple[Limits, ...]] = {}
    for start, end, least, most in zip(starts.tolist(), ends.tolist(), low.tolist(), high.tolist(), strict=True):
        if least <= most:
            pairs: tuple[Limits, ...] = ((_finite(least), _finite(most)),)
        else:
            mine = sorted_rows[start:end][::-1].tolist()
            pairs = tuple(dict.fromkeys((_finite(float(table.low[i])), _finite(float(table.high[i]))) for i in mine))
        found[int(check[start])] = tuple(pair for pair in pairs if pair != (None, None))
    return found


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None


def powered(state: str) -> str:
    """The supplies of a bench state: what the rails depend on. "USB=5V@120mA; load=10kΩ" -> "USB=5V@120mA"."""
    return "; ".join(part for part in (p.strip() for p in state.split(";")) if "@" in part)


def dark_units(table: ReadingTable, column: NDArray[np.int64], units: int) -> dict[str, NDArray[np.bool_]]:
    """Bench state -> which of the units (`column`: of each reading, its unit's place) had a rail that was not good."""
    import numpy as np

    states = np.array([powered(check.state) for check in table.checks], dtype=object)
    failed = table.on_rails & np.isin(table.outcome, [CODES[o] for o in ODD])
    dark: dict[str, NDArray[np.bool_]] = {}
    for check, unit in zip(table.check[failed].tolist(), column[failed].tolist(), strict=True):
        dark.setdefault(str(states[check]), np.zeros(units, dtype=bool))[unit] = True
    return dark


def rail_checks(table: ReadingTable) -> frozenset[int]:
    """Checks taken by a step that checks rails."""
    return frozenset(int(index) for index in set(table.check[table.on_rails].tolist()))
