"""The numbers of `wakeboard compare --statistics`."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from wakeboard.harness.cli.options import Common
from wakeboard.results.counted import count
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.results.compare.compare import CheckRow


def statistics_of(rows: Sequence[CheckRow], good: Callable[[CheckRow], Sequence[float]]) -> list[dict[str, object]]:
    """One entry a check with two values or more; an index is null where it has no answer. good: the values that limits
    may come from."""
    from wakeboard.results.statistics import StatisticsError, summarise

    found = []
    for row in rows:
        values = [float(v) for v in row.values if math.isfinite(v)]
        if len(values) < 2:
            continue
        summary = summarise(values)
        entry: dict[str, object] = {
            "check": row.check.text,
            "unit": row.check.unit,
            "n": summary.n,
            "mean": summary.mean,
        }
        entry |= {
            "sd": summary.sd,
            "cpk": None,
            "cpk_low": None,
            "cpk_high": None,
            "low": None,
            "high": None,
            "passed_bad": None,
            "refused_good": None,
            "says": "",
        }
        says = []
        for number, of in ((_index, values), (_limits, good(row)), (_risk, values)):  # what one cannot say, another can
            try:
                told = number(of, row)
            except StatisticsError as error:
                says.append(str(error))
                continue
            says += [told.pop("says")] if "says" in told else []
            entry |= told
        entry["says"] = "; ".join(says)
        found.append(entry)
    return found


def _index(values: Sequence[float], row: CheckRow) -> dict[str, Any]:
    from wakeboard.results.statistics import capability

    index = capability(values, row.low, row.high)
    return {"cpk": index.cpk, "cpk_low": index.cpk_interval[0], "cpk_high": index.cpk_interval[1]}


def _limits(values: Sequence[float], row: CheckRow) -> dict[str, Any]:
    from wakeboard.results.compare.good_units import limits_from

    limits = limits_from(row, values)
    return {"low": limits.low, "high": limits.high, "says": limits.says}


def _risk(values: Sequence[float], row: CheckRow) -> dict[str, Any]:
    """Of the guard band that the outcomes have, U = 2u, on units spread as these are."""
    from wakeboard.results.statistics import global_risk, summarise

    summary = summarise(values)
    if not (row.u and summary.sd) or (row.low is None and row.high is None):
        return {}
    # what is seen of the spread is the units' and the readings' together
    spread = math.sqrt(max(summary.sd**2 - row.u**2, (0.1 * row.u) ** 2))
    risk = global_risk(summary.mean, spread, row.u, row.low, row.high, 2 * row.u)
    return {"passed_bad": risk.passed_bad, "refused_good": risk.refused_good}


def show_statistics(common: Common, numbers: Sequence[dict[str, Any]]) -> None:
    """A line a check, within 80 columns."""
    from wakeboard.results.report.text import check_words, show, show_pair

    if common.json:
        return
    console = common.console()
    console.print(
        "\nStatistics of all units, failing ones too: mean, sd, Cpk with its 95 % interval; limits that would cover "
        "99 % of such units, from the good ones only",
        style="bold",
    )
    for e in numbers:
        unit = e["unit"]
        console.print(f"  {visible(check_words(e['check']))}")
        line = f"    {count(e['n'], 'unit')}: {show(e['mean'], unit)}, sd {show(e['sd'], unit, 3)}"
        if e["cpk"] is not None:
            line += f", Cpk {e['cpk']:.2f} ({e['cpk_low']:.2f} to {e['cpk_high']:.2f})"
        console.print(line)
        if e["passed_bad"] is not None:
            shares = f"{e['passed_bad']:.2%} would pass though bad, {e['refused_good']:.2%} not pass though good"
            console.print(f"    with the guard band {shares}", style="dim")
        proposed = show_pair(e["low"], e["high"], unit)
        console.print(f"    {'would give ' + proposed if proposed else e['says']}", style="dim")
