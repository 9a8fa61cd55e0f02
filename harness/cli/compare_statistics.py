"""The numbers of `wakeboard compare --statistics`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from wakeboard.harness.cli.options import Common

if TYPE_CHECKING:
    from wakeboard.results.compare import CheckRow


def statistics_of(rows: Sequence[CheckRow]) -> list[dict[str, Any]]:
    """One entry a check with two values or more; an index is null where it has no answer."""
    from wakeboard.results.statistics import StatisticsError, capability, propose_limits, summarise

    found = []
    for row in rows:
        values = [float(v) for v in row.values if math.isfinite(v)]
        if len(values) < 2:
            continue
        summary = summarise(values)
        entry = {"check": row.check.text, "unit": row.check.unit, "n": summary.n, "mean": summary.mean}
        entry |= {
            "sd": summary.sd,
            "cpk": None,
            "cpk_low": None,
            "cpk_high": None,
            "low": None,
            "high": None,
            "says": "",
        }
        try:
            index = capability(values, row.low, row.high)
            entry |= {"cpk": index.cpk, "cpk_low": index.cpk_interval[0], "cpk_high": index.cpk_interval[1]}
            side = "high" if row.low is None else "low" if row.high is None else "both"
            limits = propose_limits(values, side=side, least_sd=row.u or 0.0)
            entry |= {"low": limits.low, "high": limits.high, "says": limits.says}
        except StatisticsError as error:
            entry["says"] = str(error)
        found.append(entry)
    return found


def show_statistics(common: Common, numbers: Sequence[dict[str, Any]]) -> None:
    """A line a check, within 80 columns."""
    from wakeboard.results.report.text import show, show_pair

    if common.json:
        return
    console = common.console()
    console.print(
        "\nStatistics: mean, sd, Cpk with its 95 % interval; limits that would cover 99 % of units", style="bold"
    )
    for e in numbers:
        unit = e["unit"]
        console.print(f"  {e['check']}")
        line = f"    {e['n']} units: {show(e['mean'], unit)}, sd {show(e['sd'], unit, 3)}"
        if e["cpk"] is not None:
            line += f", Cpk {e['cpk']:.2f} ({e['cpk_low']:.2f} to {e['cpk_high']:.2f})"
        console.print(line)
        proposed = show_pair(e["low"], e["high"], unit)
        console.print(f"    {'would give ' + proposed if proposed else e['says']}", style="dim")
