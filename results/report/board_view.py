"""What a board's page shows: its units side by side, sorted into design, assembly and bench."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from wakeboard.results.compare.compare import CheckRow, Comparison
from wakeboard.results.counted import count
from wakeboard.results.explanation import Document
from wakeboard.results.records import RunRecord, SupplyTrace
from wakeboard.results.report import readings_view as rv
from wakeboard.results.report.explain_view import (
    Concern,
    ExplanationView,
    SharedFault,
    concerns,
    explanation,
    merged,
    shared_faults,
)
from wakeboard.results.report.figures.strips import units_strip
from wakeboard.results.report.figures.svg import Pen
from wakeboard.results.report.figures.trace import overlay_figure
from wakeboard.results.report.run_view import InstrumentView, instruments_of, verdict
from wakeboard.results.report.text import (
    check_words,
    limits_words,
    short_units,
    show,
    show_pair,
    state_without_load,
    state_words,
    when,
)
from wakeboard.results.report.todo import UnitToDo, board_to_do, units_to_do, unmeasured
from wakeboard.results.statistics import StatisticsError, propose_limits

if TYPE_CHECKING:
    from wakeboard.results.ledger.records import Finding

_QUANTITY = {"text": "answer"}
MOST_COLUMNS = 12  # more units than this are not put side by side in columns


@dataclass(frozen=True)
class UnitCard:
    """One unit on the first screen. `why`: the likeliest explanation, where one was asked for."""

    serial: str
    short: str
    outcome: str
    verdict: str
    why: str
    rework: tuple[str, ...]
    run: str
    in_time: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True)
class OddCheck:
    """A net and quantity that is odd, with one drawing a bench state."""

    of: str
    quantity: str
    states: tuple[tuple[str, str, Markup], ...]
    steps: str = ""


@dataclass(frozen=True)
class UnitOddities:
    """What only one unit shows, and what follows from a rail of it that was not good."""

    unit: UnitCard
    odd: tuple[OddCheck, ...]
    follows: tuple[str, ...]


@dataclass(frozen=True)
class TableRow:
    """A line of the full table: one cell a unit (text, outcome, odd)."""

    of: str
    quantity: str
    limits: str
    cells: tuple[tuple[str, str, bool], ...]
    median: str


@dataclass(frozen=True)
class ProposedRow:
    """Limits that the units at hand would give, beside those in use."""

    check: str
    state: str
    n: int
    now: str
    proposed: str


@dataclass(frozen=True)
class BoardView:
    """Everything a board's page shows."""

    name: str
    revision: str
    comparison: Comparison
    units: tuple[UnitCard, ...]
    summary: str
    common: tuple[OddCheck, ...]
    bench: tuple[OddCheck, ...]
    several: tuple[OddCheck, ...]
    single: tuple[UnitOddities, ...]
    explanation: ExplanationView
    shared: tuple[SharedFault, ...]
    explained: bool
    concerns: tuple[Concern, ...]
    first: tuple[str, ...]
    to_do: tuple[UnitToDo, ...]
    after: tuple[str, ...]
    table: tuple[tuple[str, tuple[TableRow, ...]], ...]
    matrix: rv.Matrix | None
    overlays: tuple[tuple[str, Markup], ...]
    findings: Sequence[Finding]
    revision_list: tuple[tuple[str, str], ...]
    proposed: tuple[ProposedRow, ...]
    instruments: tuple[InstrumentView, ...]
    runs: tuple[tuple[str, str, str, str, str], ...]

    @property
    def columns(self) -> bool:
        """Whether the units fit side by side."""
        return len(self.units) <= MOST_COLUMNS


Explains = Document | Mapping[str, Document] | None


def board_view(
    pen: Pen,
    comparison: Comparison,
    records: Sequence[RunRecord],
    explain: Explains = None,
    review: Document | None = None,
    findings: Sequence[Finding] = (),
) -> BoardView:
    """`records`: the runs the comparison is made of. `explain`: one document, or one for each unit's serial number."""
    short = short_units(comparison.units)
    shared, by_unit = _explanations(explain)
    latest = {record.unit: record for record in records}
    cards = {u: _card(u, short[u], latest.get(u), by_unit.get(u), comparison) for u in comparison.units}
    first, after = board_to_do(comparison, shared, by_unit, concerns(review), findings)
    first = (*unmeasured(records), *first)
    draw = _Drawer(pen, comparison, short)
    return BoardView(
        name=comparison.board,
        revision=", ".join(dict.fromkeys(record.revision for record in records)),
        comparison=comparison,
        units=tuple(cards.values()),
        summary=_summary(comparison),
        common=draw.checks(comparison.common),
        bench=draw.checks(comparison.bench),
        several=draw.checks(comparison.several),
        single=tuple(
            UnitOddities(cards[u], draw.checks(comparison.single.get(u, ())), _in_words(comparison, u))
            for u in comparison.units
            if comparison.single.get(u) or comparison.follows.get(u)
        ),
        explanation=shared,
        shared=shared_faults(explain) if by_unit and explain else (),
        explained=bool(explain),
        concerns=concerns(review),
        first=first,
        to_do=units_to_do(comparison, by_unit, short, latest),
        after=after,
        table=_table(comparison),
        matrix=rv.backfeed_matrix(records),
        overlays=_overlays(pen, records, short),
        findings=findings,
        revision_list=_revision_list(findings),
        proposed=_proposed(comparison),
        instruments=instruments_of(records),
        runs=tuple((r.unit, r.sequence, when(r.started), r.outcome or "", r.id[:8]) for r in records),
    )


def _explanations(explain: Explains) -> tuple[ExplanationView, dict[str, ExplanationView]]:
    if not explain:
        return ExplanationView(), {}
    if "candidates" in explain or "lines" in explain:
        return explanation(explain), {}
    by_unit: dict[str, Any] = dict(explain)
    shared = by_unit.pop("", None)
    views = {unit: explanation(document) for unit, document in by_unit.items()}
    return explanation(shared) if shared else merged(list(views.values())), views


def _in_words(comparison: Comparison, unit: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(check_words(text) for text in comparison.follows.get(unit, ())))


def _card(
    unit: str, short: str, record: RunRecord | None, explained: ExplanationView | None, comparison: Comparison
) -> UnitCard:
    best = explained.best if explained else None
    own = comparison.outside(unit)
    if record is None or record.outcome in ("pass", "error", None) or record.trip:
        told = verdict(record) if record else ""
    elif own:
        told = _own_words(comparison, unit, own)
    elif with_some := [text for text, units in comparison.several.items() if unit in units]:
        others = [each for each in comparison.several[with_some[0]] if each != unit]
        told = f"{_own_words(comparison, unit, with_some)}; outside limits in {', '.join(others)} too"
    else:
        told = "nothing of its own: only what every unit shows"
    return UnitCard(
        serial=unit,
        short=short,
        outcome=comparison.outcomes.get(unit, ""),
        verdict=told,
        why=f"{best.words} ({best.sure})" if best else "",
        rework=tuple(r.text for r in record.rework) if record else (),
        run=record.id[:8] if record else "",
        in_time=explained.in_time if explained else (),
    )


def _own_words(c: Comparison, unit: str, own: Sequence[str]) -> str:
    """The first thing that only this unit shows: "+3V3 ohms 2.02 Ω (allowed > 100 Ω)"."""
    row = c.row(own[0])
    if row is None:
        return own[0]
    value = float(row.values[c.units.index(unit)])
    words = f"{row.check.of} {_QUANTITY.get(row.check.quantity, row.check.quantity)}"
    words += f" {show(value, row.check.unit)}" if math.isfinite(value) else ""
    limits = limits_words(row.limits, row.check.unit)
    more = f", and {len(own) - 1} more" if len(own) > 1 else ""
    return words + (f" (allowed {limits})" if limits else "") + more


def _summary(c: Comparison) -> str:
    passed = sum(outcome == "pass" for outcome in c.outcomes.values())
    words = f"{passed} of {count(len(c.units), 'unit')} passed."
    near = sum(map(c.too_near, c.common))
    if outside := len(c.common) - near:
        are = "1 check is" if outside == 1 else f"{outside} checks are"
        words += f" {are} outside {'its' if outside == 1 else 'their'} limits in every unit whose rails were good:"
        words += " look at the design, BOM, reel or a part's property."
    if near:
        words += f" {'1 check is' if near == 1 else f'{near} checks are'} too near a limit to decide in every unit."
    lone = [unit for unit in c.single if c.outside(unit)]
    if lone:
        has = "1 unit is" if len(lone) == 1 else f"{len(lone)} units are"
        words += f" {has} outside limits where no other is: look at the assembly."
    if c.bench:
        words += f" {count(len(c.bench), 'check')} outside limits in the reference unit too: look at the bench."
    return words


@dataclass(frozen=True)
class _Drawer:
    pen: Pen
    comparison: Comparison
    short: Mapping[str, str]

    def checks(self, texts: Sequence[str] | Mapping[str, object]) -> tuple[OddCheck, ...]:
        """Checks by their text, grouped by net and quantity; steps (which have no readings) by themselves."""
        groups: dict[tuple[str, str], list[CheckRow]] = {}
        steps: list[OddCheck] = []
        for text in texts:
            row = self.comparison.row(text)
            if row is None:
                says = "; ".join(dict.fromkeys(s for s in self.comparison.steps.get(text, {}).values() if s))
                steps.append(OddCheck("", "", (), f"{text} ({says})" if says else text))
            else:
                groups.setdefault((row.check.of, row.check.quantity), []).append(row)
        measured = sorted(groups.items(), key=lambda group: group[0][1] == "text")  # numbers before answers in words
        return (*steps, *(OddCheck(of, _QUANTITY.get(q, q), tuple(map(self._state, r))) for (of, q), r in measured))

    def _state(self, row: CheckRow) -> tuple[str, str, Markup]:
        units = self.comparison.units
        numbers = {u: float(v) for u, v in zip(units, row.values, strict=True) if math.isfinite(v)}
        limits = limits_words(row.limits, row.check.unit)
        if not numbers:  # an answer in words: say which units gave another
            named = ", ".join(self.short[u] for u in row.outside)
            return state_words(row.check.state), f"another answer in {named}" if named else "", Markup("")
        if len(numbers) > MOST_COLUMNS:
            numbers = {u: v for u, v in numbers.items() if u in row.tells} or numbers
        values = {self.short[u]: v for u, v in numbers.items()}
        odd = [self.short[u] for u in row.outside]
        aside = [self.short[u] for u in numbers if u not in row.counted]
        drawing = units_strip(self.pen, row.check.of, values, row.low, row.high, row.check.unit, odd, aside)
        apart = ", ".join(self.short[u] for u in row.unlike if u not in row.outside)
        undecided = row.outside and self.comparison.too_near(row.check.text)
        words = [
            f"allowed {limits}" if limits else "",
            "too near to decide" if undecided else "",
            f"unlike the others: {apart}" if apart else "",
        ]
        return state_words(row.check.state), "; ".join(filter(None, words)), drawing


def _table(c: Comparison) -> tuple[tuple[str, tuple[TableRow, ...]], ...]:
    groups: dict[str, list[TableRow]] = {}
    few = len(c.units) <= MOST_COLUMNS
    for row in c.checks:
        if not few and not row.tells:
            continue
        limits = limits_words(row.limits, row.check.unit)
        cells = _cells(row, c.units) if few else ()
        view = TableRow(row.check.of, row.check.quantity, limits, cells, show(row.median, row.check.unit))
        groups.setdefault(state_without_load(row.check.state) or "nothing powered", []).append(view)
    return tuple((state, tuple(rows)) for state, rows in groups.items())


def _cells(row: CheckRow, units: Sequence[str]) -> tuple[tuple[str, str, bool], ...]:
    def text(value: float, outcome: str | None) -> str:
        if outcome is None:
            return ""
        return show(float(value), row.check.unit) if math.isfinite(value) else "answer"

    return tuple(
        (text(v, o), o or "", u in row.unlike) for u, v, o in zip(units, row.values, row.outcomes, strict=True)
    )


def _overlays(pen: Pen, records: Sequence[RunRecord], short: Mapping[str, str]) -> tuple[tuple[str, Markup], ...]:
    traces: dict[str, list[tuple[str, SupplyTrace]]] = {}
    for record in records[-MOST_COLUMNS:]:
        for step in record.steps:
            if "on" not in step.kind.split():
                continue
            for supply, trace in (step.trace.supplies if step.trace else {}).items():
                if any(volts > 0.01 for volts in trace.volts):
                    traces.setdefault(supply, []).append((short.get(record.unit, record.unit), trace))
    return tuple((supply, overlay_figure(pen, supply, found)) for supply, found in traces.items())


def _revision_list(findings: Sequence[Finding]) -> tuple[tuple[str, str], ...]:
    """(title, what to change) of each finding that was carried to the next revision."""
    carried = [finding for finding in findings if finding.carried]
    return tuple((f.title, next((e.text for e in reversed(f.events) if e.state == "carried"), "")) for f in carried)


def _proposed(c: Comparison) -> tuple[ProposedRow, ...]:
    rows = []
    for row in c.checks:
        odd = {*row.outside, *row.unlike}
        values = [v for u, v in zip(c.units, row.values.tolist(), strict=True) if math.isfinite(v) and u not in odd]
        if len(values) < 3 or (row.low is None and row.high is None):
            continue
        side = "high" if row.low is None else "low" if row.high is None else "both"
        try:
            found = propose_limits(values, side=side, least_sd=row.u or 0.0)
        except StatisticsError:
            continue
        unit = row.check.unit
        now, proposed = show_pair(row.low, row.high, unit), show_pair(found.low, found.high, unit)
        rows.append(
            ProposedRow(
                f"{row.check.of} {row.check.quantity}", state_words(row.check.state), len(values), now, proposed
            )
        )
    return tuple(rows)
