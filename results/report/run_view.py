"""What a run's page shows, worked out from its record: no markup here but the drawings."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from wakeboard.results.counted import count
from wakeboard.results.doubted import taken_by_key
from wakeboard.results.explanation import Document
from wakeboard.results.records import STOPPED_SAYS, InstrumentUsed, RunRecord, Step
from wakeboard.results.report import readings_view as rv
from wakeboard.results.report.explain_view import ExplanationView, explanation
from wakeboard.results.report.figures.svg import Pen
from wakeboard.results.report.figures.trace import TraceNotes, trace_figure
from wakeboard.results.report.figures.waves import start_up_figure
from wakeboard.results.report.text import OUTCOME_WORDS, and_list, duration, show, when
from wakeboard.results.told import ProgramTold, StartUpTold


@dataclass(frozen=True)
class StepView:
    """A step with all its readings."""

    number: int
    name: str
    kind: str
    outcome: str
    says: str
    took: str
    readings: tuple[rv.ReadingView, ...]
    output: str = ""  # of a program


@dataclass(frozen=True)
class InstrumentView:
    """An instrument and what its calibration dates say on the day of the run."""

    name: str
    kind: str
    identity: str
    address: str
    calibration: str
    current: bool


@dataclass(frozen=True)
class RunView:
    """Everything a run's page shows."""

    record: RunRecord
    verdict: str
    outputs: str
    outputs_known: bool
    facts: tuple[tuple[str, str], ...]
    odd: tuple[rv.OddGroup, ...]
    stopped: tuple[str, ...]
    explanation: ExplanationView
    actions: tuple[str, ...]
    traces: tuple[tuple[str, Markup], ...]
    matrix: rv.Matrix | None
    rails: tuple[tuple[str, list[rv.ReadingView]], ...]
    lines: tuple[rv.ReadingView, ...]
    steps: tuple[StepView, ...]
    instruments: tuple[InstrumentView, ...]
    traffic: tuple[tuple[str, str, str, str], ...]

    @property
    def outcome(self) -> str:
        return self.record.word


def run_view(pen: Pen, record: RunRecord, explain: Document | None = None) -> RunView:
    """The view of one run."""
    explained = explanation(explain)
    odd = rv.odd_groups(pen, record)
    return RunView(
        record=record,
        verdict=verdict(record),
        outputs=_outputs(record),
        outputs_known=bool(record.outputs_off),
        facts=_facts(record),
        odd=tuple(odd),
        stopped=tuple(_stopped(record)),
        explanation=explained,
        actions=tuple(_actions(record, explained, bool(odd))),
        traces=tuple(_traces(pen, record)),
        matrix=rv.backfeed_matrix([record]),
        rails=tuple(rv.rails(pen, record)),
        lines=tuple(rv.lines(pen, record)),
        steps=tuple(step_view(pen, step) for step in record.steps),
        instruments=tuple(instrument_view(i, record.started) for i in record.start.instruments),
        traffic=tuple((f"{t:.3f}", name, mark, text) for s in record.steps for t, name, mark, text in s.traffic),
    )


def verdict(record: RunRecord) -> str:
    """One sentence that says how the run ended."""
    readings = [reading for _, reading in record.readings()]
    tally = rv.tally(readings)
    if record.outcome is None:
        return "The run has no end yet."
    if record.trip:
        trip = record.trip
        at = f" at {show(trip.volts, 'V')} and {show(trip.amps, 'A')}" if trip.volts is not None else ""
        return f"The guard cut the power in step {trip.step}: {trip.rule} on {trip.supply}{at}."
    if record.word == "stopped":
        return f"The operator stopped the run. {record.says[len(STOPPED_SAYS) :].lstrip('; ')}".strip()
    if record.outcome == "error":
        return f"The bench failed, which says nothing about the board. {record.says}".strip()
    failed, near = tally.get("fail", 0), tally.get("marginal", 0)
    parts = [f"{failed} outside {'its' if failed == 1 else 'their'} limits"] if failed else []
    parts += [f"{near} too near a limit to decide"] if near else []
    if not parts and record.outcome == "pass":
        return f"All {len(readings)} readings lie within their limits." if len(readings) > 1 else "Within its limits."
    return f"Of {count(len(readings), 'reading')}, {and_list(parts) or 'none is odd'}."


def _outputs(record: RunRecord) -> str:
    if record.outputs_off:
        return "outputs confirmed off"
    if record.outputs_off is None and record.outcome is None:
        return "the run has not ended"
    return "OUTPUTS NOT CONFIRMED OFF: switch the supply off by hand and measure before touching"


def _facts(record: RunRecord) -> tuple[tuple[str, str], ...]:
    start = record.start
    took = None if record.ended is None else record.ended - record.started
    if took is not None and start.virtual and record.steps:  # the bench's own clock, as the times of the steps
        took = record.steps[-1].ended
    facts = [
        ("sequence", record.sequence),
        ("begun", when(record.started)),
        ("took", duration(took) + (" (simulated)" if took and start.virtual else "")),
        ("under power", duration(record.energised_s) + (" (simulated)" if start.virtual else "")),
        ("operator", start.operator),
        ("bench", "virtual: a circuit model, no hardware" if start.virtual else start.host),
        ("planted faults", ", ".join(start.plants)),
        ("run", record.id[:8]),
    ]
    return tuple((name, value) for name, value in facts if value)


def _stopped(record: RunRecord) -> list[str]:
    """Steps that say something although no reading of theirs does: trips, bench errors, what was skipped."""
    told = []
    for step in record.steps:
        silent = not any(r.outcome in rv.ODD for r in step.readings)
        unseen = bool(step.detail.get("not_reached")) and silent
        if step.outcome in ("tripped", "error") or unseen or (step.outcome in ("fail", "marginal") and silent):
            says = f": {step.says}" if step.says else ""
            told.append(f"step {step.number}, {step.name}: {OUTCOME_WORDS[step.word]}{says}")
        told += [f"step {step.number}, {step.name}: {said}" for said in taken_by_key(step)]
    skipped = [step.number for step in record.steps if step.outcome == "skipped" and not step.detail.get("not_reached")]
    if skipped:
        told.append(f"{count(len(skipped), 'step')} skipped, {spans(skipped)}: nothing is known about them")
    return told + _not_begun(record)


def _not_begun(record: RunRecord) -> list[str]:
    """The discharge at the end of a run that was broken off is numbered after the steps of its sequence."""
    numbers = {step.number for step in record.steps}
    left = [number for number in range(1, max(numbers, default=0)) if number not in numbers]
    return [f"not begun: {spans(left)}"] if left else []


def spans(numbers: Sequence[int]) -> str:
    """Rising numbers of steps: "3, 12 to 20"."""
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    return ", ".join(str(part[0]) if len(part) == 1 else f"{part[0]} to {part[-1]}" for part in parts)


def _actions(record: RunRecord, explained: ExplanationView, odd: bool) -> list[str]:
    """What to do next, most urgent first."""
    actions = []
    if not record.outputs_off and record.outcome is not None:
        actions.append("Switch the supply off at its front panel, then measure the rails before touching the board.")
    if record.trip:
        actions.append("Do not power this unit again before the cause is found: measure its rails unpowered first.")
    actions += [f"Repair: {each.does}." for each in explained.repairs]
    actions += [f"Fit a bodge: {line.bodge}." for line in explained.bodges]
    actions += [f"Next measurement: {words}." for words in explained.next[:2]]
    if odd and not explained.given:
        actions.append(f"Ask what explains it: wakeboard explain {record.id[:8]}")
    return actions


def _traces(pen: Pen, record: RunRecord) -> list[tuple[str, Markup]]:
    figures = []
    for step in record.steps:
        waves = StartUpTold.of(step).waves
        if waves and (drawn := start_up_figure(pen, waves)):
            figures.append((f"Step {step.number}, {step.name}: seen by the oscilloscope", drawn))
        for supply, trace in (step.trace.supplies if step.trace else {}).items():
            if len(trace.times) > 1 and any(volts > 0.01 for volts in trace.volts):
                figures.append(
                    (f"Step {step.number}, {step.name}", trace_figure(pen, supply, trace, _notes(record, step)))
                )
    return figures


def _notes(record: RunRecord, step: Step) -> TraceNotes:
    expected = next((r for r in step.readings if r.quantity == "current"), None)
    tripped = record.trip is not None and record.trip.step == step.number
    return TraceNotes(
        low=expected.low if expected else None,
        high=expected.high if expected else None,
        trip_says=record.trip.rule if record.trip and tripped else "",
    )


def step_view(pen: Pen, step: Step) -> StepView:
    """A step with its readings as table rows."""
    return StepView(
        step.number,
        step.name,
        step.kind,
        step.word,
        step.says,
        duration(max(0.0, step.ended - step.started)) if step.outcome != "skipped" else "",
        tuple(rv.reading_view(pen, step, reading) for reading in step.readings),
        ProgramTold.of(step).output,
    )


def instrument_view(used: InstrumentUsed, at: float) -> InstrumentView:
    """`at`: wall-clock seconds of the run, against which the calibration is held."""
    identity = " ".join(t for t in (used.maker, used.model) if t) or "not identified"
    if used.serial:
        identity += f", serial {used.serial}"
    if used.firmware:
        identity += f", firmware {used.firmware}"
    words, current = _calibration(used, at)
    return InstrumentView(used.name, used.kind, identity, used.address, words, current)


def _calibration(used: InstrumentUsed, at: float) -> tuple[str, bool]:
    if not used.calibrated and not used.calibration_due:
        return "no calibration date given", False
    words = f"calibrated {used.calibrated}" if used.calibrated else "calibrated at an unknown date"
    if not used.calibration_due:
        return words, True
    day = datetime.datetime.fromtimestamp(at, datetime.UTC).date().isoformat()
    if used.calibration_due < day:
        return f"{words}, was overdue since {used.calibration_due}", False
    return f"{words}, due {used.calibration_due}", True


def instruments_of(records: Sequence[RunRecord]) -> tuple[InstrumentView, ...]:
    """The instruments of several runs, each once, as last used."""
    found: dict[tuple[str, str, str], InstrumentView] = {}
    for record in records:
        for used in record.start.instruments:
            found[(used.name, used.model, used.serial)] = instrument_view(used, record.started)
    return tuple(found.values())
