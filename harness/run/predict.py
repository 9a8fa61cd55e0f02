"""What a net should read as the board is drawn, by the circuit's tolerance analysis: the last source of limits.

Limits are the worst case of what the drawing states, widened by some standard deviations of what it does not state
(forward voltages, leakages, what an unpowered rail conducts: spreads.py), so that a healthy board of another
maker's parts passes: also where one of a pin's drawn diodes to its rail is not there. A range in the board file
(`leak = "< 50 nA"`) narrows them, and so does what is known of a pin's diodes (`clamp = true`, or false).

    predictor = CircuitLimits(board)
    predictor.volts(state, "VIN")      Limits(4.61, 4.78, "circuit"), None where the circuit has no answer
    predictor.ohms(OhmsTest("SDA", 10e-6, 9.0), ...)         of the unpowered board

`between` is called again and again while it computes, so that a runner whose board has power can give a sign of life:
a computation that hangs is then a runner that hangs.

Answers are kept by bench state, so that many runs of one board share them. The rework in force of a unit is part of its
circuit; planted faults are not: the prediction is of what should be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

from wakeboard.harness.run.decide import Limits
from wakeboard.instruments.virtual.circuit.bench.figures import (
    LEADS_OHMS,
    LEAK_SIEMENS,
    OPEN_SHARE,
    SETTING_FLOOR,
)
from wakeboard.instruments.virtual.circuit.bench.state import OhmsTest, Placement, loaded, state_values

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board, Line
    from wakeboard.harness.describe.board.levels import Thresholds
    from wakeboard.harness.describe.state import BenchState
    from wakeboard.harness.run.arrivals import Arrivals
    from wakeboard.instruments.virtual.circuit.bench.spread import Spread
    from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown
    from wakeboard.instruments.virtual.circuit.model import Model

MODEL_SHARE = 0.003
"""Of the volts of an ohms test: contacts, and the offsets of leads (common practice, no source)."""

Between = Callable[[], None] | None


class CircuitLimits:
    """Limits by the circuit, kept by bench state and net."""

    def __init__(self, board: Board, rework: Sequence[str] = ()) -> None:
        self.board = board
        self.rework = tuple(rework)
        self._with_supplies: Model | None = None
        self._with_probes: Model | None = None
        self._known: dict[tuple[str, str], Limits | None] = {}
        self._ohms: dict[OhmsTest, Limits | None] = {}
        self._thresholds: dict[str, Thresholds] = {}

    @cached_property
    def arrivals(self) -> Arrivals:
        """When nets come up after a supply went on."""
        from wakeboard.harness.run.arrivals import Arrivals

        return Arrivals(self.board, self.rework)

    def thresholds(self, line: Line) -> Thresholds:
        """The levels of a line of this board, by the board file."""
        found = self._thresholds.get(line.name)
        if found is None:
            from wakeboard.harness.describe.board.levels import line_thresholds

            found = self._thresholds[line.name] = line_thresholds(self.board, line)
        return found

    def ohms(self, test: OhmsTest, between: Between = None) -> Limits | None:
        """The lowest and highest ohms that the unpowered board shows in a test, the known resistor taken out. An open
        end where the test cannot tell it from no connection; None where the circuit has no answer."""
        if test not in self._ohms:
            self.prepare_ohms([test], between)
        return self._ohms[test]

    def prepare_ohms(self, tests: Sequence[OhmsTest], between: Between = None) -> None:
        """Compute what is not known yet of many tests, together: that takes little longer than one."""
        new = [test for test in dict.fromkeys(tests) if test not in self._ohms]
        found = self._spread_at([(test.net, test.placed()) for test in new], between)
        for test, ends in zip(new, found, strict=True):
            self._ohms[test] = None if ends is None else _of_test(*ends, test)

    def loaded(self, state: BenchState, net: str, ohms: float, between: Between = None) -> Limits | None:
        """The volts of a net with a resistor from it to ground."""
        key = _key(state, ohms), net
        if key not in self._known:
            self.prepare_loaded(state, [net], ohms, between)
        return self._known[key]

    def prepare_loaded(self, state: BenchState, nets: Sequence[str], ohms: float, between: Between = None) -> None:
        """Compute what is not known yet with a resistor at each of some nets in turn, together."""
        key = _key(state, ohms)
        new = [net for net in dict.fromkeys(nets) if (key, net) not in self._known]
        values = state_values(state) if new else {}
        found = self._spread_at([(net, Placement({**values, **loaded(net, ohms)})) for net in new], between)
        for net, ends in zip(new, found, strict=True):
            self._known[key, net] = None if ends is None else _volts_limits(*ends)

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
        found = self._spread(self._supplied, Placement(state_values(state)), nets, between)
        return None if found is None else [_volts_limits(*found.of(net)[1:]) for net in nets]

    # --- with a meter or a resistor at one net ----------------------------------------------------------------------
    def _spread_at(
        self, placed: Sequence[tuple[str, Placement]], between: Between
    ) -> Sequence[tuple[float, float] | None]:
        """(low, high) volts of a net in the worst case, for each net and what is placed there; None where the circuit
        has no answer."""
        from wakeboard.instruments.virtual.circuit import CircuitError, SolveError, Variant, parse_fault
        from wakeboard.instruments.virtual.circuit.bench.spread import worst_cases

        if not placed or not self.board.parts:
            return [None] * len(placed)
        faults = tuple(parse_fault(text) for text in self.rework)
        asked = [(Variant(faults, at.values, None, at.moves), net) for net, at in placed]
        try:
            found = worst_cases(self._probed(), asked, between, self._unstated, self._may_lack)
        except (CircuitError, SolveError):  # of one of them: looked for by halves
            if len(placed) == 1:
                return [None]
            half = len(placed) // 2
            return [*self._spread_at(placed[:half], between), *self._spread_at(placed[half:], between)]
        leaks = self._with_leaks(placed)
        return [(min([low, *also]), max([high, *also])) for (low, high), also in zip(found, leaks, strict=True)]

    def _with_leaks(self, placed: Sequence[tuple[str, Placement]]) -> list[list[float]]:
        """For each, the volts of its net where every rail conducts what nobody states: a knee below which it is fed is
        then missed. Empty where the circuit has no answer."""
        from wakeboard.instruments.virtual.circuit import CircuitError, Variant, parse_fault
        from wakeboard.instruments.virtual.circuit.bench.spread import leaky

        faults = tuple(parse_fault(text) for text in self.rework)
        leaks = {name: loaded(name, ohms) for name, ohms in leaky(self._unstated, self.board.ground).items()}
        variants = []
        for net, at in placed:
            values = dict(at.values)
            for name, own in leaks.items():
                if name != net:
                    values.update(own)
            variants.append(Variant(faults, values, None, at.moves))
        try:
            solved = self._probed().solve(variants)
        except CircuitError:
            return [[] for _ in placed]
        return [[float(solved.net(net)[k])] if solved.ok[k] else [] for k, (net, _) in enumerate(placed)]

    def _spread(
        self, model: Callable[[], Model], placed: Placement, nets: Sequence[str], between: Between
    ) -> Spread | None:
        """Over the parts' tolerances, with the rework in force; None where the circuit has no answer."""
        from wakeboard.instruments.virtual.circuit import CircuitError, SolveError, Variant, parse_fault
        from wakeboard.instruments.virtual.circuit.bench.spread import spread

        try:
            faults = tuple(parse_fault(text) for text in self.rework)
            variant = Variant(faults, placed.values, None, placed.moves)
            return spread(model(), variant, nets, n=0, between=between, open_to=self._unstated, may_lack=self._may_lack)
        except (CircuitError, SolveError):
            return None

    @cached_property
    def _unstated(self) -> list[Unknown]:
        """What the drawing leaves open about the parts, but of those that were reworked."""
        from wakeboard.harness.describe.board.circuit import board_circuit
        from wakeboard.harness.describe.board.spreads import unknowns

        found = unknowns(board_circuit(self.board), self.board.adjacent, self._reworked)
        return [u for u in found if not u.stated]

    @cached_property
    def _may_lack(self) -> list[str]:
        """What its parts may not have of what is drawn, but of those that were reworked."""
        from wakeboard.harness.describe.board.circuit import board_circuit
        from wakeboard.harness.describe.board.spreads import lacking

        return [each.path for each in lacking(board_circuit(self.board), self._reworked)]

    @property
    def _reworked(self) -> set[str]:
        """The parts that were reworked."""
        return {text.partition(":")[0].partition(".")[0] for text in self.rework}

    def _supplied(self) -> Model:
        """With its supplies only: what a voltmeter adds is within the limits' floor."""
        if self._with_supplies is None:
            from wakeboard.harness.describe.board.circuit import on_supplies

            self._with_supplies = on_supplies(self.board).compile()
        return self._with_supplies

    def _probed(self) -> Model:
        if self._with_probes is None:
            from wakeboard.harness.describe.board.circuit import board_circuit, supply_nets
            from wakeboard.instruments.virtual.circuit.bench.parts import on_bench

            self._with_probes = on_bench(board_circuit(self.board), supply_nets(self.board)).compile()
        return self._with_probes


def _key(state: BenchState, ohms: float) -> str:
    return f"{state.key}; {ohms:g}"


def _of_test(first: float, second: float, test: OhmsTest) -> Limits:
    """Of the volts in the worst case: with reversed leads they are negative, or about nothing."""
    low, high = sorted((abs(first), abs(second)))
    return _ohms_limits(0.0 if first < 0 < second else low, high, test)


def _volts_limits(low: float, high: float) -> Limits:
    return Limits(low - SETTING_FLOOR, high + SETTING_FLOOR, "circuit")


def _ohms_limits(low: float, high: float, test: OhmsTest) -> Limits:
    """From the lowest and highest volts in a test, by conductance, widened by contacts and leakage."""
    known = 1.0 / test.shunt if test.shunt is not None else 0.0
    most = test.amps / max(low * (1 - MODEL_SHARE), 1e-6) - known + LEAK_SIEMENS
    least = test.amps / (high * (1 + MODEL_SHARE)) - known - LEAK_SIEMENS
    if high >= OPEN_SHARE * test.open_volts:
        least = 0.0
    lowest = max(1.0 / max(most, 1e-12) - LEADS_OHMS, 0.0)
    return Limits(lowest, 1.0 / least + LEADS_OHMS if least > LEAK_SIEMENS else None, "circuit")
