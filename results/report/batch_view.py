"""What a batch's page shows: yield, what fails most, capability, drift, and the gauge study where there is one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from wakeboard.results.compare.compare import CheckRow, Comparison
from wakeboard.results.compare.good_units import GoodUnits, limits_from
from wakeboard.results.counted import count
from wakeboard.results.records import RunRecord
from wakeboard.results.report.figures.charts import capability_strip, individuals_figure, yield_strip
from wakeboard.results.report.figures.svg import Pen
from wakeboard.results.report.run_view import InstrumentView, instruments_of
from wakeboard.results.report.text import check_words, show, show_pair, state_words, when
from wakeboard.results.statistics import (
    Capability,
    GaugeStudy,
    IndividualsChart,
    StatisticsError,
    YieldResult,
    capability,
    individuals,
    yields,
)
from wakeboard.results.statistics.charts import chance_words

CHARTS = 6  # charts drawn at once; the others stand in the table
LEAST_FOR_CHART = 8  # units: limits from fewer say more of chance than of the process (common practice, no source)


@dataclass(frozen=True)
class FailingCheck:
    """How many units a check failed in, or was too near its limit in (near), `share` of all in percent."""

    name: str
    state: str
    units: int
    share: float
    near: bool = False


@dataclass(frozen=True)
class CapabilityRow:
    """One check's capability with its drawing; `proposed`: limits the units would give."""

    of: str
    quantity: str
    state: str
    mean: str
    sd: str
    limits: str
    index: Capability
    proposed: str
    drift: str
    drawing: Markup


@dataclass(frozen=True)
class BatchView:
    """Everything a batch's page shows."""

    board: str
    revision: str
    sequence: str
    span: str
    yields: YieldResult
    first_drawing: Markup
    final_drawing: Markup
    outcomes: tuple[tuple[str, int], ...]
    failing: tuple[FailingCheck, ...]
    rows: tuple[CapabilityRow, ...]
    charts: tuple[tuple[str, str, str, Markup], ...]
    gauge: GaugeStudy | None
    summary: str
    chance: str
    actions: tuple[str, ...]
    odd_units: tuple[tuple[str, str, tuple[str, ...]], ...]
    instruments: tuple[InstrumentView, ...]
    runs: int


@dataclass(frozen=True)
class _Sample:
    """One check over the units in the order in which they were first run."""

    row: CheckRow
    values: list[float]
    chart: IndividualsChart | None
    index: Capability | None


def batch_view(
    pen: Pen, comparison: Comparison, records: Sequence[RunRecord], gauge: GaugeStudy | None = None
) -> BatchView:
    """`records`: all runs of the batch, oldest first; the comparison is of each unit's last."""
    found = yields((record.unit, record.outcome or "skipped") for record in records)
    samples = [sample for row in comparison.checks if (sample := _sample(row)) is not None]
    good = GoodUnits(comparison)
    rows = tuple(_capability_row(pen, s, s.index, good) for s in samples if s.index is not None)
    counts: dict[str, int] = {}
    for outcome in comparison.outcomes.values():
        counts[outcome] = counts.get(outcome, 0) + 1
    failing = _failing(comparison)
    return BatchView(
        board=comparison.board,
        revision=", ".join(dict.fromkeys(r.revision for r in records)),
        sequence=", ".join(dict.fromkeys(r.sequence for r in records)),
        span=_span(records),
        yields=found,
        first_drawing=yield_strip(pen, "First-pass yield", found.first_pass),
        final_drawing=yield_strip(pen, "Final yield", found.final),
        outcomes=tuple(sorted(counts.items())),
        failing=failing,
        rows=tuple(sorted(rows, key=lambda row: row.index.cpk)),
        charts=_charts(pen, samples),
        gauge=gauge,
        summary=_summary(found, failing),
        chance=chance_words(found.final.total),
        actions=tuple(_actions(samples, failing)),
        odd_units=tuple(
            (unit, outcome, tuple(map(check_words, comparison.single.get(unit, ()))))
            for unit, outcome in comparison.outcomes.items()
            if outcome != "pass"
        ),
        instruments=instruments_of(records),
        runs=len(records),
    )


def _span(records: Sequence[RunRecord]) -> str:
    if not records:
        return ""
    first, last = when(min(r.started for r in records)), when(max(r.started for r in records))
    return first if first == last else f"{first} to {last}"


def _sample(row: CheckRow) -> _Sample | None:
    values = [float(v) for v in row.values if math.isfinite(v)]
    if len(values) < 2:
        return None
    try:
        index = capability(values, row.low, row.high)
    except StatisticsError:
        index = None
    chart = individuals(values) if len(values) >= LEAST_FOR_CHART else None
    return _Sample(row, values, chart, index)


def _capability_row(pen: Pen, sample: _Sample, index: Capability, good: GoodUnits) -> CapabilityRow:
    check, unit = sample.row.check, sample.row.check.unit
    return CapabilityRow(
        of=check.of,
        quantity=check.quantity,
        state=state_words(check.state),
        mean=show(index.mean, unit),
        sd=show(index.sd, unit, 3),
        limits=show_pair(index.low, index.high, unit),
        index=index,
        proposed=_proposed(sample.row, good),
        drift="" if sample.chart is None else "steady" if sample.chart.steady else sample.chart.says,
        drawing=capability_strip(pen, check.of, sample.values, index, unit),
    )


def _proposed(row: CheckRow, good: GoodUnits) -> str:
    """The limits that the good units would give; why there are none."""
    try:
        limits = limits_from(row, good.values(row))
    except StatisticsError as error:
        return f"none: {error}"
    return show_pair(limits.low, limits.high, row.check.unit)


def _failing(c: Comparison) -> tuple[FailingCheck, ...]:
    found = []
    for row in c.checks:
        failed, near = (sum(outcome == each for outcome in row.outcomes) for each in ("fail", "marginal"))
        taken = sum(outcome is not None for outcome in row.outcomes)
        if failed or near:
            name, units = f"{row.check.of} {row.check.quantity}", failed or near
            found.append(FailingCheck(name, state_words(row.check.state), units, 100 * units / taken, not failed))
    return tuple(sorted(found, key=lambda f: (f.near, -f.units)))


def _charts(pen: Pen, samples: Sequence[_Sample]) -> tuple[tuple[str, str, str, Markup], ...]:
    """Charts of what is unsteady first, then of what fits its limits worst."""
    drawable = [s for s in samples if s.chart is not None and (s.row.low is not None or s.row.high is not None)]
    drawable.sort(key=lambda s: (s.chart is None or s.chart.steady, s.index.cpk if s.index else math.inf))
    return tuple(
        (
            f"{s.row.check.of} {s.row.check.quantity}",
            state_words(s.row.check.state),
            s.chart.says,
            individuals_figure(pen, s.row.check.of, s.chart, s.row.low, s.row.high, s.row.check.unit),
        )
        for s in drawable[:CHARTS]
        if s.chart is not None
    )


def _summary(found: YieldResult, failing: Sequence[FailingCheck]) -> str:
    words = f"First pass: {found.first_pass.says}."
    if found.final.passed != found.first_pass.passed:
        words += f" After rework {found.final.passed} of {found.final.total} pass."
    if failing:
        words += f" Still failing or marginal in some unit: {count(len(failing), 'check')}."
    return words


def _actions(samples: Sequence[_Sample], failing: Sequence[FailingCheck]) -> list[str]:
    actions = []
    if failing:
        worst = failing[0]
        where = f"in {count(worst.units, 'unit')} ({worst.share:.0f} % of those in which it was taken)"
        actions.append(
            f"Look first at {worst.name}: {'too near its limit' if worst.near else 'outside its limits'} {where}."
        )
    weak = [s for s in samples if s.index is not None and s.index.cpk_interval[1] < 1]
    if weak:
        names = ", ".join(dict.fromkeys(s.row.check.of for s in weak[:4]))
        actions.append(f"The spread does not fit the limits of {names}: mend the design or justify wider limits.")
    moving = [s for s in samples if s.chart is not None and not s.chart.steady]
    if moving:
        names = ", ".join(dict.fromkeys(s.row.check.of for s in moving[:4]))
        actions.append(f"Something changes in time in {names}: compare lots, bench and calibration dates.")
    return actions
