"""Where the truth meets the virtual bench: `Instant`, the simulation behind its stage, asks a path for points.

    bench = truth_bench(line_or_prepared, world.unit("0001"), faults, target)

Everything above (stage, instruments, drivers, runner, guard) is the product's own and unaware; `Instant` only keeps
which settings the bench has made and which states were asked for before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from wakeboard.instruments.virtual.bench import Prepared, VirtualBench
from wakeboard.instruments.virtual.circuit import Fault, Overstress, Variant
from wakeboard.instruments.virtual.circuit.parts import kind_of
from wakeboard.instruments.virtual.circuit.solver.ratings import pin_ratings
from wakeboard.instruments.virtual.target import TargetSpec
from wakeboard.instruments.virtual.time.instant import Instant

from .netlist import Specimen
from .solver import Network
from .worlds import Unit

LASTING = 1e-9  # of a rating: rounding is no stress


class Point:
    """One solved state."""

    __slots__ = ("net",)

    def __init__(self, net: Network) -> None:
        self.net = net

    def volts(self, net: str) -> float:
        return self.net.volts(net)

    def current(self, part: str, pin: str) -> float:
        return self.net.current((part, pin))


class TruthPath:
    """Settings and moves of the bench to a point; the board's own elements are laid out once for each of its states."""

    def __init__(self, specimen: Specimen) -> None:
        self.specimen = specimen
        self._boards: dict[frozenset[Any], Network] = {}
        self.solved = 0

    def point(self, values: Mapping[str, Any], moves: Mapping[str, str], last: Point | None) -> Point:
        by_part: dict[str, dict[str, Any]] = {}
        for path, value in values.items():
            name, _, tail = path.partition(".")
            by_part.setdefault(name, {})[tail] = value
        mine = self.specimen.bench_names
        key = frozenset((path, value) for path, value in values.items() if path.partition(".")[0] not in mine)
        board = self._boards.get(key)
        if board is None:
            board = self._boards[key] = self.specimen.network(by_part)
        net = board.copy()
        for part in self.specimen.bench:
            self.specimen.place(net, part, by_part.get(part.name, {}), moves)
        net.freeze()
        net.solve(None if last is None else _carried(last.net, net))
        self.solved += 1
        return Point(net)


def _carried(old: Network, new: Network) -> Any:
    """The last state's volts by the new one's nodes."""
    import numpy as np

    x = np.zeros(new.size)
    for name, place in new.index.items():
        before = old.index.get(name)
        if before is not None:
            x[place] = old.x[before]
    return x


class Truth(Instant):
    """A specimen in time, always settled."""

    def __init__(self, prepared: Prepared, unit: Unit, faults: Iterable[Fault]) -> None:
        super().__init__(prepared.model, Variant())
        self.specimen = Specimen(prepared.circuit, unit, faults)
        self._path = TruthPath(self.specimen)  # type: ignore[assignment]

    @property
    def overstress(self) -> list[Overstress]:
        """Parts past a rating in a state that lasted: volts at once, currents and powers behind their heat filters."""
        found: dict[tuple[str, str], Overstress] = {}
        heat: dict[tuple[str, str], float] = {}
        past: list[tuple[float, Point]] = self._past  # type: ignore[assignment]
        ends = [time for time, _ in past[1:]] + [self.time]
        for (time, point), end in zip(past, ends, strict=True):
            for part in self.specimen.board:
                if part.ratings or part.kind == "chip":
                    self._look_at(part, point, time, max(end - time, 0.0), heat, found)
        return sorted(found.values(), key=lambda each: each.time)

    def _look_at(self, part: Any, point: Point, time: float, seconds: float, heat: dict[tuple[str, str], float],
                 found: dict[tuple[str, str], Overstress]) -> None:  # fmt: skip
        import math

        at = {
            pin: point.net.index[self.specimen.moves.get(f"{part.name}.{pin}", net)] for pin, net in part.pins.items()
        }
        volts = [float(point.net.x[place]) for place in at.values()]
        tau = float(part.ratings.get("thermal_s", kind_of(part).thermal_s))
        share = 1 - math.exp(-seconds / tau)
        if "voltage" in part.ratings and volts and max(volts) - min(volts) > part.ratings["voltage"]:
            _note(found, part.name, "voltage", max(volts) - min(volts), part.ratings["voltage"], time)
        amps = {pin: point.current(part.name, pin) for pin in at}
        limits = [
            (f"current {pin}", amps[pin] ** 2, most**2) for pin, most in pin_ratings(part.values).items() if pin in amps
        ]
        if "current" in part.ratings and amps:
            limits.append(("current", max(a * a for a in amps.values()), part.ratings["current"] ** 2))
        if "power" in part.ratings:
            watts = sum(amps[pin] * float(point.net.x[place]) for pin, place in at.items())
            limits.append(("power", watts, part.ratings["power"]))
        for rating, target, most in limits:
            before = heat.get((part.name, rating), 0.0)
            after = heat[part.name, rating] = before + (target - before) * share
            if after > most * (1 + LASTING):
                root = 0.5 if rating != "power" else 1.0
                _note(found, part.name, rating, after**root, most**root, time)


def _note(
    found: dict[tuple[str, str], Overstress], part: str, rating: str, reached: float, most: float, time: float
) -> None:
    before = found.get((part, rating))
    if before is None:
        found[part, rating] = Overstress(part, rating, reached, most, time)
    elif reached > before.reached:
        found[part, rating] = Overstress(part, rating, reached, most, before.time)


def truth_bench(
    prepared: Prepared, unit: Unit, faults: Iterable[Fault] = (), target: TargetSpec | None = None
) -> VirtualBench:
    """A virtual bench whose board is this specimen."""
    bench = VirtualBench(prepared, unit=unit.serial, target=target, transients=False, drawn=False)
    truth = Truth(prepared, unit, faults)
    bench.simulation = bench.stage.simulation = truth
    bench.stage._gently = truth.change_gently
    return bench
