"""The design solved in all its cases, and what the rules ask of the answers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.describe.board.circuit import on_supplies
from wakeboard.harness.review.study.cases import Case, cases
from wakeboard.harness.review.study.feed import feed_path
from wakeboard.harness.review.study.rails import Rails
from wakeboard.instruments.virtual.circuit.bench.figures import VOLTMETER_OHMS
from wakeboard.instruments.virtual.circuit.model import Model, Variant
from wakeboard.instruments.virtual.circuit.part import Circuit, Part

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board, Rail
    from wakeboard.instruments.virtual.circuit.solver.points import Points

UNSEEN_VOLTS: Final = 1e-6  # one digit of a meter of 6 1/2 digits on its 1 V range; common practice, no source
OFF_LIMIT: Final = 0.3
"""V; what a source or rail that is off may show: below one junction, as first power-on sequences ask."""

GENEROUS: Final = 1000.0
"""Times its budget that a supply is let give where no state can be found at which it gives its budget."""

CLAMPING: Final = 0.2
"""V above its rail from which a pin's clamp counts as conducting; common practice, no source."""

OPEN_OHMS: Final = VOLTMETER_OHMS
"""Ω at a supply that is off. A review asks what stands at a connector with nothing on it but a meter; an off bench
supply would load it ten times as much (figures.OFF_OHMS) and hide a leak."""


@dataclass
class Study:
    """A board, its circuit with a bench supply at each supply's net, and the operating point of every case."""

    board: Board
    circuit: Circuit
    model: Model
    cases: list[Case]
    points: Points
    models: dict[str, Model] = field(default_factory=dict)
    """The same with a cell in place of one supply, by its name, as they are asked for."""
    idle: Points | None = None
    """The cases with every charger idle, once they are asked for (see `cells`)."""
    unjudged: list[str] = field(default_factory=list)
    """What kept a rule from looking at a state of its own, such as a button pressed."""
    unsolved: list[Case] = field(default_factory=list)
    """Cases that have no operating point, or none that was found: nothing is said of them."""

    @classmethod
    def of(cls, board: Board, only: list[Case] | None = None) -> Study:
        """Solve the board, in all its cases or some. Raises CircuitError for what cannot be solved, SolveError when no
        case has an answer."""
        circuit = on_supplies(board, off_ohms=OPEN_OHMS)
        model = circuit.compile()
        todo = cases(board) if only is None else only
        points = model.solve([Variant(values=case.values()) for case in todo])
        unsolved = [case for case, status in zip(todo, points.status, strict=True) if status != "ok"]
        if len(unsolved) == len(todo):
            points.require()
        if unsolved:  # a supply that cannot hold the board may let it start and drop it again, without end
            todo = [replace(case, generous=GENEROUS) if case in unsolved else case for case in todo]
            points = model.solve([Variant(values=case.values()) for case in todo])
            unsolved = [case for case, status in zip(todo, points.status, strict=True) if status != "ok"]
            todo = [case for case in todo if case not in unsolved]
            points = model.solve([Variant(values=case.values()) for case in todo]).require()
        return cls(board, circuit, model, todo, points, unsolved=unsolved)

    def solved(self, variants: Sequence[Variant], net: str) -> list[float]:
        """Volts of a net in states of a rule's own; NaN where one has no operating point, as a latch half-way."""
        return [float(volts) for volts in self.model.solve(list(variants)).net(net)]

    def volts(self, net: str) -> list[float]:
        """Volts of a net in every case; what no meter on a bench would show is nought."""
        return [0.0 if abs(v) < UNSEEN_VOLTS else float(v) for v in self.points.net(net)]

    def floating(self, net: str, case: int) -> bool:
        """Whether nothing holds a net in a case."""
        return net in self.points.floating(case)

    def each(self) -> Iterator[tuple[int, Case]]:
        return enumerate(self.cases)

    def undriven(self) -> Iterator[tuple[int, Case]]:
        """The cases in which no line is driven but those that switch rails."""
        return ((k, case) for k, case in self.each() if not case.line)

    def rail_should_be_on(self, name: str, case: Case) -> bool:
        """Whether a rail's sources are up and its switch is set."""
        return self._meant_on(name, case, frozenset())

    def _meant_on(self, name: str, case: Case, asked: frozenset[str]) -> bool:
        """asked: the rails that wait for this one to be told; a rail that its own chip holds on counts as held."""
        rail = self.board.rails[name]
        if name in asked:
            return True
        if any(case.drives.get(pin) != level for pin, level in rail.on_when.items()):
            return False
        asked |= {name}
        drivers = {net for pin in rail.on_when for net in self.driver_nets(pin)}
        powered = all(self._source_up(net, case, asked) for net in drivers)
        return powered and any(self._source_up(source, case, asked) for source in rail.sources)

    def driver_nets(self, pin: str) -> set[str]:
        """The net of the rail or supply that a chip's pin is driven from; none where that is neither."""
        name, _, own = pin.partition(".")
        part = self.board.parts.get(name)
        if part is None or part.kind != "chip":
            return set()
        net = self.rail_net(part, part.values.get("io", {}).get(own, {}))
        return {net} if self.rails_on(net) or any(s.net == net for s in self.board.supplies.values()) else set()

    def up_though_off(self, k: int) -> tuple[str, ...]:
        """The nets of the rails that should be off in a case and are up."""
        volts = {name: float(self.points.net(rail.net)[k]) for name, rail in self.board.rails.items()}
        off = [n for n, v in volts.items() if v > OFF_LIMIT and not self.rail_should_be_on(n, self.cases[k])]
        return tuple(self.board.rails[name].net for name in off)

    def _source_up(self, source: str, case: Case, asked: frozenset[str] = frozenset()) -> bool:
        if source in self.board.supplies:
            return source in case.supplies
        if source in self.board.rails:
            return self._meant_on(source, case, asked)
        names = [name for name in self.board.names_on(source) if name != source]
        return any(self._source_up(name, case, asked) for name in names)

    def worst_by_supplies(self, found: Mapping[int, float]) -> dict[frozenset[str], int]:
        """The worst case for each set of supplies that are on; sets that only add supplies to a known one are left out.

        found: case -> how bad.
        """
        worst: dict[frozenset[str], int] = {}
        for case in sorted(found, key=lambda k: (len(self.cases[k].supplies), -found[k])):
            on = frozenset(self.cases[case].supplies)
            if not any(known <= on for known in worst):
                worst[on] = case
        return worst

    def path_from_rail(self, case: int, net: str) -> tuple[str, ...]:
        """Like `path`, from the last rail on the way that is on as it should be: what lies before is as meant."""
        rails = (rail for rail in self.board.rails.values() if rail.net != net)
        on = [rail.net for rail in rails if self.rail_should_be_on(rail.name, self.cases[case])]
        return feed_path(self.circuit, self._currents[case], on, net) or self.path(case, net)

    def path(self, case: int, net: str) -> tuple[str, ...]:
        """The parts through which the supplies that are on feed a net in a case, from the source on."""
        sources = [self.board.supplies[name].net for name in self.cases[case].supplies]
        return feed_path(self.circuit, self._currents[case], sources, net)

    @cached_property
    def _currents(self) -> _Currents:
        return _Currents(self)

    @cached_property
    def rails(self) -> Rails:
        """What is wrong with the rails."""
        return Rails(self)

    def case_of(self, state: str) -> int | None:
        """The first case of a state's key."""
        return next((k for k, case in self.each() if case.state == state), None)

    def chips(self) -> Iterator[tuple[Part, str, Mapping[str, Any]]]:
        """(chip, pin, its entry in the chip's io table) of every chip's every pin."""
        for part in self.board.parts.values():
            for pin, entry in part.values.get("io", {}).items():
                yield part, pin, entry

    def rail_net(self, part: Part, entry: Mapping[str, object]) -> str:
        """The net that feeds a chip's pin: its declared rail, or the chip's first supply pin."""
        return part.pins.get(self.rail_pin(part, entry), self.board.ground)

    def rail_pin(self, part: Part, entry: Mapping[str, object]) -> str:
        """The chip's own name of the pin that feeds one of its pins."""
        return str(entry.get("rail") or next(iter(part.values.get("supply", {})), "VDD"))

    def nominal(self, net: str) -> float | None:
        """The nominal volts of a rail by its net; None where it has none."""
        return next((rail.volts.nominal for rail in self.rails_on(net) if rail.volts), None)

    def nominal_at(self, net: str) -> float | None:
        """The nominal volts of the rail of the first chip's pin on a net."""
        rails = (self.rail_net(part, entry) for part, pin, entry in self.chips() if part.pins[pin] == net)
        return next((volts for rail in rails if (volts := self.nominal(rail)) is not None), None)

    def rails_on(self, net: str) -> list[Rail]:
        return [rail for rail in self.board.rails.values() if rail.net == net]


class _Currents:
    """Current into each pin, by case, worked out when a path is asked for."""

    def __init__(self, study: Study) -> None:
        self.points = study.points
        self.pins = [(part.name, pin) for part in study.circuit.parts for pin in part.pins]
        self.known: dict[tuple[str, str], Any] = {}
        self.clamps = [(part, pin, study.rail_pin(part, entry)) for part, pin, entry in study.chips()]

    def __getitem__(self, case: int) -> Mapping[tuple[str, str], float]:
        for part, pin in self.pins:
            if (part, pin) not in self.known:
                self.known[part, pin] = self.points.current(part, pin)
        amps = {key: float(amps[case]) for key, amps in self.known.items()}
        for chip, pin, rail in self.clamps:
            if rail in chip.pins and self._lifted(chip, pin, rail, case):
                # what its clamp brings leaves by the rail's pin, whatever the chip uses up of it there
                amps[chip.name, rail] = min(amps[chip.name, rail], 0.0) - max(amps[chip.name, pin], 0.0)
        return amps

    def _lifted(self, part: Part, pin: str, rail: str, case: int) -> bool:
        """Whether a pin stands so far above its rail that its clamp conducts."""
        volts = self.points.pin_volts(part.name, pin)[case] - self.points.pin_volts(part.name, rail)[case]
        return float(volts) > CLAMPING
