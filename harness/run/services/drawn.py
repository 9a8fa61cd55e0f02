"""What the drawing says of the board in the state that it is in: nets behind names, what should be up, and limits."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from wakeboard.harness.run import topology
from wakeboard.harness.run.decide import OPEN, Limits

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board, Line
    from wakeboard.harness.describe.board.levels import Thresholds
    from wakeboard.harness.run.predict import CircuitLimits
    from wakeboard.harness.run.services.power import Power
    from wakeboard.harness.run.services.timing import Timing
    from wakeboard.instruments.quantity import Interval


class Drawn:
    """reaches: whether a probe gets to a net."""

    def __init__(
        self, board: Board, predictor: CircuitLimits, power: Power, time: Timing, reaches: Callable[[str], bool]
    ) -> None:
        self._board = board
        self._predictor = predictor
        self._power = power
        self._time = time
        self._reaches = reaches

    def net(self, name: str) -> str:
        return self._board.net_of(name)

    def nets(self, of: Iterable[str]) -> list[str]:
        return topology.nets(self._board, of)

    def lines(self, of: Iterable[str]) -> list[Line]:
        return topology.lines(self._board, of)

    @property
    def power_nets(self) -> list[str]:
        """The nets of all supplies and rails that a probe reaches."""
        return [net for net in topology.power_nets(self._board) if self._reaches(net)]

    @property
    def farads(self) -> float:
        return topology.total_farads(self._board)

    def is_up(self, rail: str) -> bool:
        """Whether a rail (or supply) should be up in this state."""
        return topology.is_up(self._board, rail, self._power.on, self._power.pins)

    def should_be_off(self, of: Iterable[str]) -> tuple[dict[str, str], dict[str, str]]:
        """(supplies, rails) -> nets that should be off."""
        return topology.should_be_off(self._board, of, self._power.on, self._power.pins)

    def line_is_powered(self, line: Line) -> bool:
        return topology.line_is_powered(self._board, line, self._power.on, self._power.pins)

    def thresholds(self, line: Line) -> Thresholds:
        return self._predictor.thresholds(line)

    def swing(self, line: Line) -> float:
        """Volts between the thresholds."""
        found = self.thresholds(line)
        return found.high_min - found.low_max

    def level_says(self, line: Line, volts: float) -> str:
        level = self.thresholds(line).level(volts)
        return "between the levels" if level == "undefined" else f"reads {level}"

    def rail_limits(self, rail: str, expect: Interval | None) -> Limits:
        """From the step, the board file, or the circuit's tolerances, in this order."""
        if expect is not None:
            return Limits(expect.low, expect.high, "step")
        on_board = self._board.rails[rail].limits if self.is_up(rail) else None
        if on_board is not None:
            return Limits(on_board.low, on_board.high, "board")
        return self.circuit_limits(self._board.rails[rail].net)

    def circuit_limits(self, net: str) -> Limits:
        from wakeboard.harness.describe.state import BenchState

        return self._predictor.volts(BenchState(self._power.on, self._power.pins), net, self._time.computing) or OPEN

    def foresee(self, supply: str, volts: float, limit: float) -> None:
        """Have the circuit's limits ready before a supply is switched on: the rails for which nobody gives limits."""
        from wakeboard.harness.describe.state import BenchState

        on = {**self._power.on, supply: (volts, limit)}
        nets = [rail.net for name, rail in self._board.rails.items()
                if rail.limits is None and topology.is_up(self._board, name, on, self._power.pins)]  # fmt: skip
        self._time.computing()  # the circuit is compiled first
        self._predictor.prepare(BenchState(on, self._power.pins), nets, self._time.computing)
        self._time.pulse()
