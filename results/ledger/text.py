"""A unit's history and the list for the next revision, in the words a person would use."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from wakeboard.results import doubted
from wakeboard.results.counted import count
from wakeboard.results.records import STOPPED_SAYS
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.results.ledger.records import Event, Finding
    from wakeboard.results.records import Reading, RunRecord, Step

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def show(value: float | None, unit: str) -> str:
    """A value with a prefix and four significant digits: 0.12, "A" -> "120 mA"."""
    if value is None:
        return "no number"
    if not unit:
        return f"{value:.4g}"
    if unit == "%":
        return f"{value * 100:.4g} %"
    if value == 0:
        return f"0 {unit}"
    # Rounded before the prefix is chosen, so that 0.99999 V is 1 V and not 1000 mV.
    size = abs(float(f"{value:.4g}"))
    scale, prefix = next(((s, p) for s, p in _PREFIXES if size >= s), _PREFIXES[-1])
    return f"{value / scale:.4g} {prefix}{unit}"


def show_limits(low: float | None, high: float | None, unit: str) -> str:
    if low is None and high is None:
        return ""
    if low is None:
        return f"at most {show(high, unit)}"
    if high is None:
        return f"at least {show(low, unit)}"
    return f"{show(low, unit)} .. {show(high, unit)}"


def when(at: float) -> str:
    """Local date and minute."""
    return datetime.datetime.fromtimestamp(at).strftime("%Y-%m-%d %H:%M")


def tell_reading(reading: Reading) -> str:
    """ "+3V3 2.801 V (allowed 3.234 V .. 3.366 V)"."""
    if reading.value is None:
        return f"{reading.of}: {reading.says or reading.outcome}"
    limits = show_limits(reading.low, reading.high, reading.unit)
    near = reading.outcome == "marginal" and reading.u
    value = show(reading.value, reading.unit) + (f" ± {show(2 * (reading.u or 0), reading.unit)}" if near else "")
    return f"{reading.of} {value}" + (f" (allowed {limits}{': too near to decide' if near else ''})" if limits else "")


def _outputs(record: RunRecord) -> str:
    """Of a run that nobody has ended: what is not known then."""
    return "" if record.start.virtual else "; nothing says that its outputs were switched off: look at the supply"


_BAD = {
    "fail": "failed",
    "marginal": "marginal",
    "tripped": "tripped",
    "error": "bench error",
    "stopped": STOPPED_SAYS,
}


def tell_run(record: RunRecord) -> str:
    """One sentence on a run: what was run, how it ended, and the first oddities; and each reading that a key took."""
    return ". ".join([_tell_run(record), *doubted.of_run(record)])


def _tell_run(record: RunRecord) -> str:
    name = record.sequence
    if record.abandoned:
        return f"{name}: the program ended in the middle, after {count(len(record.steps), 'step')}{_outputs(record)}"
    if record.outcome is None and not record.alive:
        return f"{name}: its program was killed, after {count(len(record.steps), 'step')}{_outputs(record)}"
    if record.outcome is None:
        return f"{name}: still going on, {count(len(record.steps), 'step')} so far"
    if record.trip is not None:
        trip = record.trip
        where = f" at {show(trip.volts, 'V')}, {show(trip.amps, 'A')}" if trip.volts is not None else ""
        return f"{name}: tripped in step {trip.step}, {trip.rule} on {trip.supply}{where}"
    if record.outcome == "pass":
        return f"{name}: passed ({count(len(record.steps), 'step')})"
    odd = [tell_step(step) for step in record.steps if step.outcome in _BAD]
    left = [f"{step.number} {step.name}" for step in record.steps if step.outcome in _BAD][2:]
    more = f"; and {'step' if len(left) == 1 else 'steps'} {', '.join(left)}" if left else ""
    told = f"{'; '.join(odd[:2])}{more}" or _reason(record)
    return f"{name}: {_BAD.get(record.word, record.word)}" + (f". {told}" if told else "")


def _reason(record: RunRecord) -> str:
    """Of a run that ended before a step could say it."""
    return record.says.removeprefix(STOPPED_SAYS).lstrip("; ") if record.outcome == "error" else ""


def tell_step(step: Step) -> str:
    """ "step 6 rails: +3V3 2.801 V (allowed …)"."""
    odd = [tell_reading(reading) for reading in step.readings if reading.outcome in _BAD]
    said = ", ".join(odd[:2]) + (f" and {len(odd) - 2} more" if len(odd) > 2 else "")
    return f"step {step.number} {step.name}" + (f": {said or step.says}" if said or step.says else "")


def tell_history(board: str, serial: str, events: Sequence[Event]) -> str:
    """The history as lines, oldest first, one an event."""
    lines = [f"{visible(board)}, unit {visible(serial)}", ""]
    lines += [
        f"{when(event.at)}  {visible(event.text)}" + (f"  [{event.run[:8]}]" if event.run else "") for event in events
    ]
    return "\n".join(lines)


def faults_text(faults: Iterable[str]) -> str:
    listed = ", ".join(faults)
    return f" (in the circuit: {listed})" if listed else ""


# -- the next revision


def revision_markdown(board: str, findings: Sequence[Finding], shown: Mapping[str, RunRecord]) -> str:
    """The list for the next revision: what to change, why, and on what evidence. `shown` holds the runs by id."""
    lines = [f"# {board}: for the next revision", ""]
    carried = [finding for finding in findings if finding.carried]
    waiting = [finding for finding in findings if not finding.carried and finding.state != "mended"]
    if not carried:
        lines += ["Nothing has been carried to the next revision yet.", ""]
    for finding in carried:
        lines += _finding_markdown(finding, shown)
    if waiting:
        lines += ["## Not decided yet", ""]
        lines += [f"- {finding.number}. {_plain(finding.title)} ({finding.state})" for finding in waiting] + [""]
    return "\n".join(lines)


def _finding_markdown(finding: Finding, shown: Mapping[str, RunRecord]) -> list[str]:
    lines = [f"## {finding.number}. {_plain(finding.title)}", ""]
    if finding.text:
        lines += [_plain(finding.text), ""]
    for label, state in (("Why", "explained"), ("Mended on units by", "mended"), ("Change", "carried")):
        told = [event for event in finding.events if event.state == state and event.text]
        for event in told[-1:]:
            target = f" (revision {_plain(event.revision)})" if event.revision else ""
            lines.append(f"- **{label}:** {_plain(event.text)}{target}")
    evidence = [f"  - {_plain(evidence_line(finding, place, shown))}" for place in range(len(finding.evidence))]
    if evidence:
        lines += ["- **Evidence:**", *evidence]
    return [*lines, ""]


def evidence_line(finding: Finding, place: int, shown: Mapping[str, RunRecord]) -> str:
    """Where a piece of evidence is found, and what was read there."""
    item = finding.evidence[place]
    record = shown.get(item.run)
    line = f"unit {item.unit}, run {item.run[:8]}"
    if item.step is not None:
        line += f", step {item.step}"
    told = ""
    step = next((s for s in record.steps if s.number == item.step), None) if record else None
    if step is not None:
        places = [item.position] if item.position is not None else []
        told = "; ".join(tell_reading(step.readings[p]) for p in places if p < len(step.readings)) or tell_step(step)
    return line + (f": {told}" if told else "") + (f" ({item.text})" if item.text else "")


def _plain(text: str) -> str:
    """Text that Markdown shows as it is, on one line."""
    flat = " ".join(text.split())
    for sign in "\\`*_<>[]|#":
        flat = flat.replace(sign, "\\" + sign)
    return flat


def parse_faults(text: str) -> list[str]:
    return [str(fault) for fault in json.loads(text)]
