"""What a net should read as the board is drawn, by the circuit's tolerance analysis: the last source of limits.

    predictor = Predictor(board)
    predictor.volts(state, "VIN")      Limits(4.61, 4.78, "circuit"), None where the circuit has no answer
    predictor.ohms(OhmsTest("SDA", 10e-6, 9.0), ...)         of the unpowered board

`between` is called again and again while it computes, so that a runner whose board has power can give a sign of life:
a computation that hangs is then a runner that hangs.

Answers are kept by bench state, so that many runs of one board share them. The rework in force of a unit is part of its
circuit; planted faults are not: the prediction is of what should be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from wakeboard.harness.run.decide import Limits

if TYPE_CHECKING:
    from wakeboard.harness.describe.board import Board, Line
    from wakeboard.harness.describe.levels import Thresholds
    from wakeboard.harness.describe.state import BenchState

FLOOR_VOLTS = 15e-3  # what no part's tolerance covers: the supply's programming (10 mV is usual), leads and contacts
METER, LOAD = "predict_meter", "predict_load"
OPEN_INPUT = 1e12  # Ω of a meter's input in an ohms test
MODEL_SHARE = 0.003  # of the volts of an ohms test: contacts and lead offsets
JUNCTION_FROM = 0.2  # V: above it clamp diodes conduct, and …
JUNCTION_VOLTS = (
    0.06  # … their drop is known no better: 2 mV/K over 15 K, and as much by lot (common practice, no source)
)
SERIES_OHMS = 5.0  # leads, relay contacts, and an output that is on
LEAK_SIEMENS = 2e-7  # what flux, humidity and an idle input may add (common practice, no source)


Between = Callable[[], None] | None


@dataclass(frozen=True)
class OhmsTest:
    """An unpowered resistance test of a net: A, the most volts, leads swapped or not, Ω of a known resistor across."""

    net: str
    amps: float
    compliance: float
    swapped: bool = False
    shunt: float | None = None


class Predictor:
    """Limits by the circuit, kept by bench state and net."""

    def __init__(self, board: Board, rework: Sequence[str] = ()) -> None:
        self.board = board
        self.rework = tuple(rework)
        self._model: Any = None
        self._probed: Any = None
        self._known: dict[tuple[str, str], Limits | None] = {}
        self._ohms: dict[OhmsTest, Limits | None] = {}
        self._thresholds: dict[str, Thresholds] = {}

    def thresholds(self, line: Line) -> Thresholds:
        """The levels of a line of this board, by the board file."""
        found = self._thresholds.get(line.name)
        if found is None:
            from wakeboard.harness.describe.levels import line_thresholds

            found = self._thresholds[line.name] = line_thresholds(self.board, line)
        return found

    def ohms(self, test: OhmsTest, between: Between = None) -> Limits | None:
        """The lowest and highest ohms that the unpowered board shows in a test, the known resistor taken out. An open
        end where the test cannot tell it from no connection; None where the circuit has no answer."""
        if test not in self._ohms:
            self._ohms[test] = self._compute_ohms(test, between) if self.board.parts else None
        return self._ohms[test]

    def loaded(self, state: BenchState, net: str, ohms: float, between: Between = None) -> Limits | None:
        """The volts of a net with a resistor from it to ground."""
        key = (f"{state.key}; {ohms:g}", net)
        if key not in self._known:
            values = {**_values(state), f"{LOAD}.value": ohms}
            found = self._spread_at(net, values, {f"{LOAD}.1": net}, between)
            self._known[key] = None if found is None else _volts_limits(*found)
        return self._known[key]

    def volts(self, state: BenchState, net: str, between: Between = None) -> Limits | None:
        """The lowest and highest volts of a net over the parts' tolerances."""
        self.prepare(state, [net], between)
        return self._known[state.key, net]

    def prepare(self, state: BenchState, nets: Sequence[str], between: Between = None) -> None:
        """Compute what is not known yet, several nets of a state together: it takes a moment, so that a runner has it
        done before it energises anything."""
        new = [net for net in dict.fromkeys(nets) if (state.key, net) not in self._known]
        if not new:
            return
        found = self._compute(state, new, between) if self.board.parts else None
        for place, net in enumerate(new):
            self._known[state.key, net] = found[place] if found else None

    def _compute(self, state: BenchState, nets: list[str], between: Between) -> list[Limits] | None:
        from wakeboard.instruments.virtual.circuit import CircuitError, SolveError, Variant, parse_fault
        from wakeboard.instruments.virtual.circuit.spread import spread

        try:
            variant = Variant(faults=tuple(parse_fault(text) for text in self.rework), values=_values(state))
            found = spread(self._compiled(), variant, nets, n=0, between=between)
        except (CircuitError, SolveError):
            return None
        return [_volts_limits(float(found.low[place]), float(found.high[place])) for place in range(len(nets))]

    def _compiled(self) -> Any:
        if self._model is None:
            from wakeboard.harness.describe.circuit import with_supplies

            self._model = with_supplies(self.board).compile()
        return self._model

    # --- with a meter or a resistor at one net ----------------------------------------------------------------------
    def _compute_ohms(self, test: OhmsTest, between: Between) -> Limits | None:
        values = {f"{METER}.test_amps": test.amps, f"{METER}.compliance_volts": test.compliance}
        moves = {f"{METER}.{'LO' if test.swapped else 'HI'}": test.net}
        if test.shunt is not None:
            values[f"{LOAD}.value"] = test.shunt
            moves[f"{LOAD}.1"] = test.net
        found = self._spread_at(test.net, values, moves, between)
        if found is None:
            return None
        low, high = sorted(abs(volts) for volts in found)
        return _ohms_limits(low, high, test)

    def _spread_at(
        self, net: str, values: dict[str, Any], moves: dict[str, str], between: Between
    ) -> tuple[float, float] | None:
        """(low, high) volts of a net in the worst case."""
        from wakeboard.instruments.virtual.circuit import CircuitError, SolveError, Variant, parse_fault
        from wakeboard.instruments.virtual.circuit.spread import spread

        if not self.board.parts:
            return None
        faults = tuple(parse_fault(text) for text in self.rework)
        try:
            found = spread(self._with_probes(), Variant(faults, values, None, moves), [net], n=0, between=between)
        except (CircuitError, SolveError):
            return None
        return float(found.low[0]), float(found.high[0])

    def _with_probes(self) -> Any:
        if self._probed is None:
            from wakeboard.harness.describe.circuit import with_supplies
            from wakeboard.instruments.virtual.circuit import Part

            ground = self.board.ground
            meter = Part(METER, "meter", {"HI": ground, "LO": ground}, {"ohms": OPEN_INPUT})
            load = Part(LOAD, "resistor", {"1": ground, "2": ground}, {"value": 1e9})
            self._probed = with_supplies(self.board).plus(meter, load).compile()
        return self._probed


def _values(state: BenchState) -> dict[str, float | str | bool]:
    values: dict[str, float | str | bool] = {}
    for name, (volts, limit) in state.supplies.items():
        values.update({f"bench_{name}.volts": volts, f"bench_{name}.limit": limit, f"bench_{name}.on": True})
    values.update({f"{pin}.drive": level for pin, level in state.pins.items()})
    return values


def _volts_limits(low: float, high: float) -> Limits:
    return Limits(low - FLOOR_VOLTS, high + FLOOR_VOLTS, "circuit")


def _ohms_limits(low: float, high: float, test: OhmsTest) -> Limits:
    """From the lowest and highest volts in a test, by conductance, widened by what the circuit does not know."""
    low, high = (
        volts if volts < JUNCTION_FROM else volts + way * JUNCTION_VOLTS for volts, way in ((low, -1), (high, 1))
    )
    known = 1.0 / test.shunt if test.shunt is not None else 0.0
    most = test.amps / max(low * (1 - MODEL_SHARE), 1e-6) - known + LEAK_SIEMENS
    least = test.amps / (high * (1 + MODEL_SHARE)) - known - LEAK_SIEMENS
    if high >= 0.98 * test.compliance:
        least = 0.0
    lowest = max(1.0 / max(most, 1e-12) - SERIES_OHMS, 0.0)
    return Limits(lowest, 1.0 / least + SERIES_OHMS if least > LEAK_SIEMENS else None, "circuit")
