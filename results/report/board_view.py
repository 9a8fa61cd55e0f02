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
from wakeboard.results.report.backfeed_told import backfeed_told
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
from wakeboard.results.report.proposed import ProposedRow, proposed
from wakeboard.results.report.run_view import InstrumentView, instruments_of, verdict
from wakeboard.results.report.scope import never_powered, not_tested, other_names, simulated
from wakeboard.results.report.side_by_side import Table, table
from wakeboard.results.report.text import (
    and_list,
    check_words,
    fault_words,
    limits_words,
    short_units,
    show,
    state_words,
    when,
)
from wakeboard.results.report.todo import UnitToDo, board_to_do, plan_of, unmeasured

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
    """What one unit shows and not every one, and what follows from a rail of it that was not good; note: what was not
    tried of it."""

    unit: UnitCard
    odd: tuple[OddCheck, ...]
    follows: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True)
class BoardView:
    """Everything a board's page shows."""

    name: str
    revision: str
    comparison: Comparison
    units: tuple[UnitCard, ...]
    summary: str
    head: tuple[str, ...]
    names: str
    judged_by: str
    common: tuple[OddCheck, ...]
    bench: tuple[OddCheck, ...]
    several: tuple[str, ...]
    single: tuple[UnitOddities, ...]
    explanation: ExplanationView
    shared: tuple[SharedFault, ...]
    explained: bool
    concerns: tuple[Concern, ...]
    first: tuple[str, ...]
    once: tuple[str, ...]
    to_do: tuple[UnitToDo, ...]
    after: tuple[str, ...]
    table: Table
    matrix: rv.Matrix | None
    backfeed: tuple[str, ...]
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
    plan = plan_of(comparison, by_unit, short, latest)
    draw = _Drawer(pen, comparison, short)
    return BoardView(
        name=comparison.board,
        revision=", ".join(dict.fromkeys(record.revision for record in records)),
        comparison=comparison,
        units=tuple(cards.values()),
        summary=_summary(comparison, short),
        head=tuple(filter(None, [simulated(records), not_tested(records, short)])),
        names=other_names(records),
        judged_by=_judged_by(comparison, short),
        common=draw.checks(comparison.common),
        bench=draw.checks(comparison.bench),
        several=_several(comparison, short),
        single=_single(comparison, cards, draw, latest),
        explanation=shared,
        shared=shared_faults(explain) if by_unit and explain else (),
        explained=bool(explain),
        concerns=concerns(review),
        first=first,
        once=plan.once,
        to_do=plan.units,
        after=after,
        table=table(comparison, MOST_COLUMNS),
        matrix=rv.backfeed_matrix(records),
        backfeed=backfeed_told(records, comparison, short, {u: _faulty(e) for u, e in by_unit.items()}),
        overlays=_overlays(pen, records, short),
        findings=findings,
        revision_list=_revision_list(findings),
        proposed=proposed(comparison),
        instruments=instruments_of(records),
        runs=tuple((r.unit, r.sequence, when(r.started), r.word, r.id[:8]) for r in records),
    )


def _explanations(explain: Explains) -> tuple[ExplanationView, dict[str, ExplanationView]]:
    if not explain:
        return ExplanationView(), {}
    if "candidates" in explain or "lines" in explain:
        return explanation(explain), {}
    by_unit: dict[str, Any] = dict(explain)
    shared = by_unit.pop("", None)
    views = {unit: explanation(document) for unit, document in by_unit.items()}
    return explanation(shared) if shared else merged(views), views


def _faulty(explained: ExplanationView) -> str:
    """The faults of one unit that are to be repaired, in words."""
    return and_list([fault_words(repair.cause) for repair in explained.repairs[:2] if repair.share == 1])


def _own_checks(c: Comparison, unit: str) -> tuple[str, ...]:
    """What this unit shows and not every one, outside its limits first."""
    shared = [text for text, units in c.several.items() if unit in units]
    return (*c.outside(unit), *shared, *c.unlike.get(unit, ()))


def _single(
    c: Comparison, cards: Mapping[str, UnitCard], draw: _Drawer, latest: Mapping[str, RunRecord]
) -> tuple[UnitOddities, ...]:
    found = []
    for unit in c.units:
        record = latest.get(unit)
        note = "Never powered in these runs: further faults may be waiting." if record and never_powered(record) else ""
        if _own_checks(c, unit) or c.follows.get(unit):
            found.append(UnitOddities(cards[unit], draw.checks(_own_checks(c, unit)), _in_words(c, unit), note))
    return tuple(found)


def _several(c: Comparison, short: Mapping[str, str]) -> tuple[str, ...]:
    """Which units share what, where not all do: the drawings stand with each unit."""
    named = {text: and_list([short[unit] for unit in units]) for text, units in c.several.items()}
    return tuple(f"{check_words(text)}: {units}" for text, units in named.items())


def _judged_by(c: Comparison, short: Mapping[str, str]) -> str:
    """The units that tell of the design, where they are not all."""
    rows = [row for text in c.common if (row := c.row(text)) is not None]
    tell = [unit for unit in c.units if any(unit in row.counted for row in rows)]
    return and_list([short[unit] for unit in tell]) if tell and len(tell) < len(c.units) else ""


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
        shared = list(dict.fromkeys(row.check.of for row in comparison.checks if unit in row.outside))
        told = f"outside limits only where every unit is: {and_list(shared)}" if shared else "nothing outside limits"
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
    also = dict.fromkeys(
        other.check.of for text in own[1:] if (other := c.row(text)) and other.check.of != row.check.of
    )
    more = f"; also outside: {and_list(list(also))}" if also else ""
    return words + (f" (allowed {limits})" if limits else "") + more


def _summary(c: Comparison, short: Mapping[str, str]) -> str:
    passed = sum(outcome == "pass" for outcome in c.outcomes.values())
    words = f"{passed} of {count(len(c.units), 'unit')} passed."
    near = sum(map(c.too_near, c.common))
    if outside := len(c.common) - near:
        are = "1 check is" if outside == 1 else f"{outside} checks are"
        words += f" {are} outside {'its' if outside == 1 else 'their'} limits in every unit"
        tell = _judged_by(c, short)
        words += f" whose rails were good ({tell}):" if tell else ":"
        words += " look at the design, BOM, reel or a part's property."
    if near:
        words += f" {'1 check is' if near == 1 else f'{near} checks are'} too near a limit to decide in every unit."
    lone = [u for u in c.units if c.outside(u) or any(u in units for units in c.several.values())]
    if lone:
        has = "1 unit is" if len(lone) == 1 else f"{len(lone)} units are"
        words += f" {has} outside limits where not every one is ({and_list([short[u] for u in lone])}): look at the"
        words += " assembly."
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
