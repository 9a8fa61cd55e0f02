"""What the back-feed readings come to: of each pair of a supply and a net, in which units back-feed is excluded."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence

from wakeboard.results.compare.compare import Comparison
from wakeboard.results.compare.grid import powered
from wakeboard.results.records import Reading, RunRecord
from wakeboard.results.report.readings_view import back_feed_readings, supply_of
from wakeboard.results.report.text import and_list, show, state_without_load

Pair = tuple[str, str]  # bench state, net
_WORSE = {"pass": 0, "marginal": 1, "fail": 2}


def backfeed_told(
    records: Sequence[RunRecord],
    c: Comparison,
    short: Mapping[str, str],
    why: Mapping[str, str],
) -> tuple[str, ...]:
    """A sentence for each pair that is not excluded, one for the others of each supply, and what is left to measure.

    A low reading of a unit whose own rail was not good in that state excludes nothing: what would feed was not there.
    why: unit -> what is wrong with it, for pairs that few units show. Empty where no back-feed was measured.
    """
    found = _decisive(records, _dark(c))
    told: list[str] = []
    for state in dict.fromkeys(state for state, _ in found):
        pairs = {net: by_unit for (at, net), by_unit in found.items() if at == state}
        bad = {net: by_unit for net, by_unit in pairs.items() if any(_odd(r) for r in by_unit.values())}
        told += [_not_excluded(state, net, by_unit, short, why) for net, by_unit in bad.items()]
        told += _excluded(state, {net: by_unit for net, by_unit in pairs.items() if net not in bad}, short)
    return (*told, *_left(found, c.units, short)) if found else ()


def _dark(c: Comparison) -> set[tuple[str, str]]:
    """(unit, what was powered) where a rail of the unit was not good."""
    return {
        (unit, powered(row.check.state))
        for row in c.checks
        for unit, outcome in zip(c.units, row.outcomes, strict=True)
        if outcome is not None and unit not in row.counted
    }


def _decisive(records: Iterable[RunRecord], dark: Container[tuple[str, str]]) -> dict[Pair, dict[str, Reading]]:
    """Pair -> unit -> the reading that decides: the worst of those that were held against a limit."""
    found: dict[Pair, dict[str, Reading]] = {}
    for record in records:
        for reading in back_feed_readings([record]):
            if reading.low is None and reading.high is None:
                continue
            if not _odd(reading) and (record.unit, powered(reading.state)) in dark:
                found.setdefault((state_without_load(reading.state), reading.of), {})
                continue
            by_unit = found.setdefault((state_without_load(reading.state), reading.of), {})
            before = by_unit.get(record.unit)
            if before is None or _WORSE.get(reading.outcome, 0) > _WORSE.get(before.outcome, 0):
                by_unit[record.unit] = reading
    return found


def _odd(reading: Reading) -> bool:
    return reading.outcome in ("fail", "marginal")


def _named(units: Iterable[str], short: Mapping[str, str]) -> str:
    return and_list([short.get(unit, unit) for unit in units])


def _not_excluded(
    state: str, net: str, by_unit: Mapping[str, Reading], short: Mapping[str, str], why: Mapping[str, str]
) -> str:
    bad = {unit: reading for unit, reading in by_unit.items() if _odd(reading)}
    good = [unit for unit in by_unit if unit not in bad]
    each = [
        f"{show(reading.value, reading.unit, 3)} in {short.get(unit, unit)}"
        + (" (too near the limit to decide)" if reading.outcome == "marginal" else "")
        + (f" ({why[unit]})" if len(bad) <= len(good) and why.get(unit) else "")
        for unit, reading in bad.items()
    ]
    words = f"{supply_of(state)} on: {net} is not excluded: {and_list(each)}."
    return words + (f" Excluded in {_named(good, short)}." if good else " No unit is known to be free of it.")


def _excluded(state: str, pairs: Mapping[str, Mapping[str, Reading]], short: Mapping[str, str]) -> list[str]:
    """Nets that stay low in all units that were measured, those of the same units in one sentence."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for net, by_unit in pairs.items():
        alike.setdefault(tuple(by_unit), []).append(net)
    alike.pop((), None)
    return [
        f"{supply_of(state)} on: {and_list(nets)} {'is' if len(nets) == 1 else 'are'} excluded by these readings in "
        f"{_named(units, short)}."
        for units, nets in alike.items()
    ]


def _left(found: Mapping[Pair, Mapping[str, Reading]], units: Sequence[str], short: Mapping[str, str]) -> list[str]:
    never = [unit for unit in units if not any(unit in by_unit for by_unit in found.values())]
    left = [f"everything in {_named(never, short)}"] if never else []
    some: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for (state, net), by_unit in found.items():
        missing = tuple(unit for unit in units if unit not in by_unit and unit not in never)
        some.setdefault((state, missing), []).append(net)
    left += [
        f"{and_list(nets)} with {supply_of(state)} on in {_named(missing, short)}, once "
        f"{'its' if len(missing) == 1 else 'their'} rails are good"
        for (state, missing), nets in some.items()
        if missing
    ]
    return [f"Still to be measured: {'; '.join(left)}."] if left else []
