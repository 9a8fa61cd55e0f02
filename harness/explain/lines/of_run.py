"""From a run's readings to the analysis of its odd lines, and to the bodge of each.

Works without a circuit too: what is fitted is then not known, so that the pulls found include it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from wakeboard.harness.describe.sequence.steps import needs_of
from wakeboard.harness.describe.state import BenchState, StateError
from wakeboard.harness.explain.lines.bodge import PullRange, bodge
from wakeboard.harness.explain.lines.line_model import (
    GROUND,
    METER_10M,
    METER_HIGH,
    Driver,
    LineReading,
    MeterError,
    Rail,
    Resistor,
    Thresholds,
)
from wakeboard.harness.explain.lines.verdict import LineAnalysis, analyse
from wakeboard.instruments.virtual.circuit.bench.figures import VOLTMETER_OHMS
from wakeboard.results.explanation import Bodge, FoundLine
from wakeboard.results.records import Reading, RunRecord

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board, Line
    from wakeboard.instruments.virtual.circuit import Fault, Part

LEAK_AMPS = 1e-6
"""Leakage of what hangs on a line (logic data sheets: ±1 µA at most)."""
TEST_TOLERANCE = 0.01
"""Tolerance of a test resistor (common practice: metal film, 1 %)."""


@dataclass(frozen=True, slots=True)
class LineFinding:
    """A line as analysed in one state, with the bodge that mends it (None: none is called for, `why` says)."""

    name: str
    analysis: LineAnalysis
    bodge: Bodge | None
    why: str = ""

    def told(self) -> FoundLine:
        return replace(self.analysis.told(), line=self.name, bodge=self.bodge, why=self.why)


def findings(
    board: Board, run: RunRecord, rework: Sequence[Fault] = (), explained: Mapping[str, str] | None = None
) -> list[LineFinding]:
    """Every line that was odd, in the state in which it was, analysed from all readings of that state.

    explained: net -> what explains its odd reading otherwise than by a pull on it; there is nothing to bodge there. A
    line whose own rail is down says nothing and is left out.
    """
    explained = explained or {}
    gathered = _gather(run, {line.net for line in board.lines.values()}, board)
    out = []
    for line in board.lines.values():
        for state, readings in gathered.get(line.net, {}).items():
            if any(r.outcome in ("fail", "marginal") for r in readings):
                finding = _finding(board, run, line, state, readings, rework, explained.get(line.net, ""))
                if finding is not None:
                    out.append(finding)
    return out


def _gather(run: RunRecord, nets: set[str], board: Board) -> dict[str, dict[BenchState, list[Reading]]]:
    """Net -> bench state without its load -> readings, from powered states only."""
    from wakeboard.harness.explain.unit.cases import net_of

    find = net_of(board)
    out: dict[str, dict[BenchState, list[Reading]]] = defaultdict(lambda: defaultdict(list))
    for step, reading in run.readings():
        net = find(reading.of)
        if net not in nets or needs_of(step.kind).of != ("lines",) or reading.value is None:
            continue
        try:
            state = BenchState.parse(reading.state)
        except StateError:
            continue
        if state.supplies:
            out[net][BenchState(state.supplies, state.pins)].append(reading)
    return out


def _finding(
    board: Board, run: RunRecord, line: Line, state: BenchState, readings: list[Reading], rework: Sequence[Fault],
    explained: str,
) -> LineFinding | None:  # fmt: skip
    thresholds = _thresholds(board, line)
    rails = _rails(board, run, state)
    taken = [_line_reading(r) for r in readings if r.quantity == "dc volts" and r.value is not None]
    if thresholds is None or not taken:
        return None
    taken = _with_ac(taken, readings, state)
    fitted = _fitted(board, line.net, rails, rework)
    if not _rail_up(board, line, rails):
        return None
    driven = _is_driven(board, line, state)
    analysis = analyse(
        line.name, taken, thresholds, fitted=fitted, rails=rails, driven=driven, leak_amps=0.0,
        swing=_swing(board, line, rails), should_be="" if state.pins else line.when.get("boot", ""),
    )  # fmt: skip
    if explained:
        return LineFinding(line.name, analysis, None, explained)
    mended, why = _bodge(board, line, analysis, thresholds, rails, driven)
    return LineFinding(line.name, analysis, mended, why)


# --- readings -------------------------------------------------------------------------------------------------------
def _line_reading(reading: Reading) -> LineReading:
    assert reading.value is not None
    u = reading.u or 0.0
    # Of the meter's uncertainty half the variance is taken as its gain, shared by its readings, half as each one's own.
    meter = MeterError(reading.instrument or "meter", gain=1.2 * u / max(abs(reading.value), 1.0))
    state = BenchState.parse(reading.state)
    return LineReading(reading.value, _loads(state), meter, scatter=0.7 * u, state=state.key)


def _loads(state: BenchState) -> tuple[Resistor, ...]:
    ohms = state.load_ohms or VOLTMETER_OHMS
    if ohms > 1e9:
        return (METER_HIGH,)
    if ohms > 0.9 * VOLTMETER_OHMS:
        return (METER_10M,)
    alone = 1 / (1 / ohms - 1 / VOLTMETER_OHMS)
    return (METER_10M, Resistor(f"test resistor {alone:.4g}", alone, TEST_TOLERANCE, state.to or GROUND))


def _with_ac(taken: list[LineReading], readings: Sequence[Reading], state: BenchState) -> list[LineReading]:
    def of(quantity: str) -> float | None:
        return next((r.value for r in readings if r.quantity == quantity and r.value is not None), None)

    first, *rest = _same_meter(taken)
    return [replace(first, ac_volts=of("ac volts"), hertz=of("frequency"), state=state.key), *rest]


def _same_meter(taken: Sequence[LineReading]) -> list[LineReading]:
    """One gain figure for each meter: the largest that its readings ask for."""
    gain: dict[str, float] = {}
    for r in taken:
        gain[r.meter.name] = max(gain.get(r.meter.name, 0.0), r.meter.gain)
    return [replace(r, meter=MeterError(r.meter.name, gain[r.meter.name])) for r in taken]


# --- the board ------------------------------------------------------------------------------------------------------
def _thresholds(board: Board, line: Line) -> Thresholds | None:
    from wakeboard.harness.describe.board.levels import LevelError, line_thresholds

    try:
        found = line_thresholds(board, line)
    except LevelError:
        return None
    return Thresholds(found.low_max, found.high_min)


def _rails(board: Board, run: RunRecord, state: BenchState) -> dict[str, Rail]:
    """What a pull may go to in this state: supplies that are on, rails as read, else as the board says."""
    rails: dict[str, Rail] = {}
    for name, (volts, _) in state.supplies.items():
        if name in board.supplies:
            rails[board.supplies[name].net] = Rail(board.supplies[name].net, volts, 0.01 * volts)
    wanted = {rail.net for rail in board.rails.values()}
    for _, reading in run.readings():
        if reading.of in wanted and reading.quantity == "dc volts" and reading.value is not None:
            taken = BenchState.parse(reading.state)
            if dict(taken.supplies) == dict(state.supplies) and dict(taken.pins) == dict(state.pins):
                width = 2 * (reading.u or 0.0) + 1e-3 * abs(reading.value)
                rails[reading.of] = Rail(reading.of, reading.value, width)
    for rail in board.rails.values():
        if rail.net not in rails and rail.volts is not None and not rail.on_when:
            half = (rail.volts.high - rail.volts.low) / 2
            rails[rail.net] = Rail(rail.net, rail.volts.nominal, half)
    return {name: rail for name, rail in rails.items() if rail.volts > 0.1}


def _rail_up(board: Board, line: Line, rails: Mapping[str, Rail]) -> bool:
    """Whether the rail that the line's levels refer to stands at 70 % of its nominal or more, or is not known."""
    from wakeboard.harness.describe.board.levels import rail_of, supply_net

    nominal = rail_of(board, line)
    ends = [line.driven_by] if line.driven_by else []
    ends += [f"{part.name}.{pin}" for part in board.parts.values() for pin, net in part.pins.items() if net == line.net]
    for end in ends:
        name, _, pin = end.partition(".")
        net = supply_net(board.parts[name], pin) if name in board.parts else None
        if net is not None and nominal is not None and _is_rail(board, net):
            return net in rails and rails[net].volts >= 0.7 * nominal
    return True


def _is_rail(board: Board, net: str) -> bool:
    return any(rail.net == net for rail in board.rails.values())


def _is_driven(board: Board, line: Line, state: BenchState) -> bool:
    """Whether something holds the line in this state: a pin that was told to, or a driver that is never released."""
    if line.driven_by is None:
        return False
    if line.driven_by in state.pins:
        return True
    name, _, pin = line.driven_by.partition(".")
    part = board.parts.get(name)
    if part is None:
        return False
    return part.kind == "supervisor" or part.values.get("io", {}).get(pin, {}).get("type") == "output"


def _swing(board: Board, line: Line, rails: Mapping[str, Rail]) -> tuple[float, float] | None:
    from wakeboard.harness.describe.board.levels import rail_of

    volts = rail_of(board, line)
    return (0.0, volts) if volts else None


def _fitted(board: Board, net: str, rails: Mapping[str, Rail], rework: Sequence[Fault]) -> list[Resistor]:
    """Known resistors from the net to rails and ground: parts, pulls that data sheets state, and bodges."""
    ends = {GROUND: GROUND, board.ground: GROUND, **{name: name for name in rails}}
    gone = {f.target for f in rework if f.kind in ("missing", "open")}
    values = {f.target: f.argument for f in rework if f.kind == "value"}
    out = []
    for part in board.parts.values():
        if part.name in gone:
            continue
        if part.kind == "resistor" and net in part.pins.values():
            other = next((n for n in part.pins.values() if n != net), net)
            if other in ends:
                out.append(_resistor(part, ends[other], values.get(part.name)))
        out += _stated_pulls(part, net, ends)
    return out + [r for f in rework if (r := _bridge(f, net, ends))]


def _resistor(part: Part, to: str, written: str | None) -> Resistor:
    from wakeboard.instruments.quantity import parse

    ohms = parse(written, "Ω") if written else float(part.values["value"])
    return Resistor(part.name, ohms, part.tolerance.get("value", 0.05), to)


def _stated_pulls(part: Part, net: str, ends: Mapping[str, str]) -> list[Resistor]:
    out = []
    for pin, entry in part.values.get("io", {}).items():
        if part.pins.get(pin) != net:
            continue
        rail_pin = entry.get("rail") or ("VDD" if "VDD" in part.pins else next(iter(part.values.get("supply", {})), ""))
        for key, to in (("pull_up", part.pins.get(rail_pin, "")), ("pull_down", GROUND)):
            if entry.get(key) and to in ends:
                spread = part.tolerance.get(f"{pin}.{key}", 0.3)
                out.append(Resistor(f"{part.name}.{pin} inside", float(entry[key]), spread, ends[to]))
    return out


def _bridge(fault: Fault, net: str, ends: Mapping[str, str]) -> Resistor | None:
    if fault.kind != "bridge":
        return None
    for other in ends:
        if fault.target in (f"{net}+{other}", f"{other}+{net}"):
            return Resistor("bodge", fault.ohms, 0.05, ends[other])
    return None


# --- the bodge ------------------------------------------------------------------------------------------------------
def _bodge(
    board: Board, line: Line, analysis: LineAnalysis, thresholds: Thresholds, rails: Mapping[str, Rail], driven: bool
) -> tuple[Bodge | None, str]:
    wanted = line.when.get("boot")
    if driven:
        return None, "its driver holds it in this state: a pull is not what is wrong"
    if wanted not in ("low", "high"):
        return None, "the board file does not say at which level it should rest (when.boot)"
    if analysis.kind == "toggling":
        return None, "it toggles: no resistor mends that"
    if analysis.kind == "fighting":
        return None, "a driver holds it: no resistor mends that"
    pulls = [_range_of(r) for r in analysis.fitted] + _unknown(analysis)
    if analysis.candidates and analysis.pull is None:
        pulls += _worst_candidate(analysis)
    hold: Literal["low", "high"] = "low" if wanted == "low" else "high"
    try:
        found = bodge(line.net, hold, thresholds, pulls, rails, _driver(board, line, rails), leak_amps=LEAK_AMPS)
    except ValueError as error:
        return None, str(error)
    return found, found.says if found.fit_ohms is None else ""


def _range_of(r: Resistor) -> PullRange:
    inside = r.name.endswith(" inside") or r.name == "bodge"
    return PullRange(r.name, r.ohms, r.ohms * (1 - r.tolerance), r.ohms * (1 + r.tolerance), r.to, not inside)


def _unknown(analysis: LineAnalysis) -> list[PullRange]:
    pull = analysis.pull
    if pull is None or pull.ohms is None or not pull.to:
        return []
    low, high = max(pull.ohms.low, 1.0), min(pull.ohms.high, 1e9)
    return [PullRange("the hidden pull", pull.ohms.value, low, high, pull.to, fitted=False)]


def _worst_candidate(analysis: LineAnalysis) -> list[PullRange]:
    """Where one reading leaves several rails possible: the likeliest, its range widened to a factor of two."""
    best = next((p for p in analysis.candidates if p.ohms is not None and p.to), None)
    if best is None or best.ohms is None:
        return []
    return [PullRange("the hidden pull", best.ohms.value, best.ohms.value / 2, best.ohms.value * 2, best.to, False)]


def _driver(board: Board, line: Line, rails: Mapping[str, Rail]) -> Driver | None:
    from wakeboard.harness.describe.board.levels import rail_of

    if line.driven_by is None:
        return None
    name, _, pin = line.driven_by.partition(".")
    part = board.parts.get(name)
    entry: Mapping[str, Any] = part.values.get("io", {}).get(pin, {}) if part else {}
    high = rail_of(board, line) or max((rail.volts for rail in rails.values()), default=3.3)
    ohms, rated = float(entry.get("ohms") or 100.0), float(entry.get("max") or 4e-3)
    return Driver(line.driven_by, rated, ohms * 1.5, high) if math.isfinite(high) else None
