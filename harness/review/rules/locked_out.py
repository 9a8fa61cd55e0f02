"""A processor whose firmware can take away the way to its loader.

A person reaches the loader by pulling reset with the means on the board (a button, a connector's pin) and letting go
with the straps at the loader's levels. While reset is held, the firmware's pins are released; until then it may have
left each of them driven high, driven low or released. Where a state of the firmware keeps the means from reset, the
power can still be cycled: then the straps decide, and only means count that do not go away with the power.

Before any firmware runs a chip may drive pins by itself (`before_firmware`): the straps are read with each of these
at each level that it may have. A way that only those pins shut is told too.
A debug port (`debug`) whose pins all reach a connector is another way back, whatever the firmware does, until a one-
time fuse takes it away (`fused`): a lock-out that only the port saves is told as a slight concern.

Asked only of chips that say how they start (`boots`) with a way that is not the usual one, and of boards on which a
means reaches reset with every pin released: where nothing is drawn, nothing can be lost. Whether the loader is then
heard on its link is not judged, nor whether firmware uses a debug pin for something else (rule reserved-pin).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.straps import Straps, every_strap, level_of
from wakeboard.instruments.virtual.circuit.bench.state import state_values
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.model import Variant

if TYPE_CHECKING:
    from wakeboard.harness.review.study.cases import Case
    from wakeboard.harness.review.study.study import Study

HAND_OHMS: Final = "10"
"""Ω of a button, or of what is plugged into a connector and pulls a pin."""
MOST_PINS: Final = 4
"""Pins of the firmware, and means, that are tried in every combination; beyond it, two at a time."""
_RESET = re.compile(r"^N?_?(RST|RESET)|RST_?N?$|RESET_?N?$|^EN$", re.IGNORECASE)
_DRIVES: Final = ("io", "output", "open_drain")

Pulls = tuple[Fault, ...]


def find(study: Study) -> Iterator[Concern]:
    for straps in every_strap(study):
        reset = next((pin for pin in straps.part.pins if _RESET.search(pin)), None)
        k = next((k for k, case in study.undriven() if not case.drives and case.corner == "nominal"), None)
        if reset is not None and k is not None and len(straps.boots) > 1:
            yield from _Way(study, straps, reset, study.cases[k]).lost()


@dataclass(frozen=True)
class _Means:
    """What a hand can do to one net: pull it to ground, or to the processor's rail."""

    part: str
    net: str
    to: tuple[str, ...]
    stays: bool
    """Whether it is there while the power is cycled: what carries the supply itself goes with it."""


class _Way:
    """The way to one processor's loader in one state of the supplies."""

    def __init__(self, study: Study, straps: Straps, reset: str, case: Case) -> None:
        self.study, self.straps, self.reset, self.case = study, straps, reset, case
        part = straps.part
        self.rail = study.rail_net(part, part.values.get("io", {}).get(reset, {}))
        self.fixed = {self.rail, study.board.ground, *(rail.net for rail in study.board.rails.values())}
        self.fixed |= {supply.net for supply in study.board.supplies.values()}
        strap_nets = {part.pins[pin] for pin in straps.pins}
        self.near = self._reach({part.pins[reset], *strap_nets})
        self.means = list(self._means())
        self.note = study.board.note(part.name)
        self.early = list(_early({f"{part.name}.{pin}": level for pin, level in self.note.before_firmware.items()}))

    def lost(self) -> Iterator[Concern]:
        """One concern: the first state of the firmware that shuts a way which is open with every pin released."""
        if not self._resets([{}])[0] or not self._enters(self.means, [{}]):
            return
        if not self._enters(self.means):
            yield self._shut_early()
            return
        drives = list(_settings(self._firmware()))
        shut = [drive for drive, ok in zip(drives, self._resets(drives), strict=True) if not ok]
        if not shut or self._enters([each for each in self.means if each.stays]):
            return
        state = min(shut, key=len)
        part, pin = self.straps.part, self.reset
        pins = " and ".join(f"{name} {level}" for name, level in state.items())
        hand = next(each for each in self.means)
        path = (hand.part, *self._between(), f"{part.name}.{pin}")
        port = self._debug_port()
        only = f"; only the debug port at {port} is left, until a fuse takes it away" if port else ""
        fused = "; the fuse has taken its debug port away" if self.note.fused and self.note.debug else ""
        yield Concern(
            "locked-out", not port, (part.pins[pin], *dict.fromkeys(self._net(name) for name in state)), path=path,
            state=BenchState(self.case.bench_state.supplies, state).key, weight=1.0,
            says=f"firmware that leaves {pins} locks everybody out of {part.name}: nothing on the board then moves "
            f"{part.pins[pin]}, and with the power cycled no strap can be held for the loader{only}{fused}",
            do=self._smallest(drives),
        )  # fmt: skip

    def _shut_early(self) -> Concern:
        """The chip's own pins stand in the way of its loader before any firmware runs."""
        part = self.straps.part
        early = next(each for each in self.early if not self._enters(self.means, [each]))
        pins = " and ".join(f"{name} {level}" for name, level in early.items())
        nets = tuple(dict.fromkeys(self._net(name) for name in early))
        return Concern(
            "locked-out", True, (part.pins[self.reset], *nets), path=(self.means[0].part, part.name),
            state=BenchState(self.case.bench_state.supplies, early).key, weight=1.0,
            says=f"{part.name} itself drives {pins} before any firmware runs: no means on the board then has it start "
            "its loader",
            do=f"take {' and '.join(nets)} off the way to the straps, or put a resistor between",
        )  # fmt: skip

    def _debug_port(self) -> str:
        """The connector that all pins of the debug port reach; "" where there is none, or a fuse took the port away."""
        part = self.straps.part
        nets = {part.pins[pin] for pin in self.note.debug}
        if not nets or self.note.fused:
            return ""
        found = [each for each in self.study.board.parts.values() if each.kind == "connector"]
        return next((each.name for each in found if nets <= set(each.pins.values())), "")

    # --- what is there ----------------------------------------------------------------------------------------------
    def _reach(self, nets: set[str]) -> set[str]:
        """The nets joined to these by parts, through anything but rails, ground and chips."""
        found, todo = set(nets), list(nets)
        while todo:
            here = todo.pop()
            for part in self.study.board.parts.values():
                if part.kind in ("chip", "connector") or here not in part.pins.values():
                    continue
                more = set(part.pins.values()) - self.fixed - found
                found |= more
                todo += more
        return found

    def _means(self) -> Iterator[_Means]:
        power = {supply.net for supply in self.study.board.supplies.values()}
        ground = self.study.board.ground
        for part in self.study.board.parts.values():
            if part.kind == "button":
                nets = [net for net in part.pins.values() if net in self.near]
                others = tuple(net for net in part.pins.values() if net in self.fixed)
                yield from (_Means(part.name, net, others, True) for net in nets if others)
            elif part.kind == "connector":
                stays = not power & set(part.pins.values())
                for net in dict.fromkeys(part.pins.values()):
                    if net in self.near:
                        yield _Means(part.name, net, (ground, self.rail), stays)

    def _firmware(self) -> list[str]:
        """The processor's own pins that can move a net on the way."""
        part = self.straps.part
        return [
            f"{part.name}.{pin}"
            for pin, entry in part.values.get("io", {}).items()
            if part.pins.get(pin) in self.near and entry.get("type", "io") in _DRIVES and pin not in self.straps.pins
        ]

    def _net(self, pin: str) -> str:
        return self.straps.part.pins[pin.partition(".")[2]]

    def _between(self) -> list[str]:
        """The parts through which a connector's pull reaches reset: transistors and switches on the reset net."""
        net = self.straps.part.pins[self.reset]
        kinds = ("mosfet", "bjt", "load_switch", "resistor", "diode", "schottky")
        return [
            part.name for part in self.study.board.parts.values()
            if part.kind in kinds and net in part.pins.values() and len(set(part.pins.values()) - self.fixed) > 1
        ]  # fmt: skip

    # --- what it does -----------------------------------------------------------------------------------------------
    def _resets(self, drives: Sequence[Mapping[str, str]], more: Sequence[_Means] = ()) -> list[bool]:
        """For each state of the firmware: whether some pull of the means brings reset low."""
        pulls = list(_pulls([*self.means, *more]))
        asked = [Variant(each, self._values(drive)) for drive in drives for each in pulls]
        points = self.study.model.solve(asked)
        volts = points.pin_volts(self.straps.part.name, self.reset)
        rail = points.net(self.rail)
        low = [
            ok == "ok" and level_of(self.straps.part, self.reset, float(v), float(r)) == "low" and float(r) > 1.0
            for ok, v, r in zip(points.status, volts, rail, strict=True)
        ]
        return [any(low[k * len(pulls) : (k + 1) * len(pulls)]) for k in range(len(drives))]

    def _enters(self, means: Sequence[_Means], early: Sequence[Mapping[str, str]] | None = None) -> bool:
        """Whether, with no firmware running and reset let go, some pull has the straps start another way: at each of
        the levels that the chip's own pins may have before firmware (`early`: the ones to ask)."""
        return all(self._enters_at(means, each) for each in (self.early if early is None else early))

    def _enters_at(self, means: Sequence[_Means], early: Mapping[str, str]) -> bool:
        part = self.straps.part
        pulls = list(_pulls(means))
        points = self.study.model.solve([Variant(each, self._values(early)) for each in pulls])
        rail = points.net(self.rail)
        levels = {
            pin: [level_of(part, pin, float(v), float(r)) for v, r in zip(points.pin_volts(part.name, pin), rail,
                                                                           strict=True)]
            for pin in (*self.straps.pins, self.reset)
        }  # fmt: skip
        return any(
            levels[self.reset][k] != "low" and self._other({pin: levels[pin][k] for pin in self.straps.pins})
            for k in range(len(pulls))
            if points.status[k] == "ok"
        )

    def _other(self, levels: Mapping[str, str]) -> bool:
        if "undefined" in levels.values():
            return False
        modes = self.straps.modes(levels)
        return bool(modes) and self.straps.starts not in modes

    def _values(self, drives: Mapping[str, str]) -> dict[str, object]:
        supplies = {name: (volts, self.case.limits[name]) for name, volts in self.case.supplies.items()}
        return dict(state_values(BenchState(supplies, drives)))

    def _smallest(self, drives: Sequence[Mapping[str, str]]) -> str:
        """The one part that gives a way back in every state."""
        part, ground = self.straps.part, self.study.board.ground
        net = part.pins[self.reset]
        button = _Means("a button", net, (ground,), True)
        if all(self._resets(drives, [button])):
            return f"fit a button from {net} to {ground}: it resets {part.name} whatever the firmware drives"
        for pin in self.straps.pins:
            for to in (ground, self.rail):
                if self._enters(
                    [each for each in self.means if each.stays] + [_Means("", part.pins[pin], (to,), True)]
                ):
                    return f"fit a button or pads from {part.pins[pin]} to {to}, to be held while the power is cycled"
        return f"take the selection off the firmware: give {net} and the straps a connector of their own"


def _early(levels: Mapping[str, str]) -> Iterator[dict[str, str]]:
    """Every state of the pins that a chip drives by itself; one state without any where it drives none."""
    options = [("low", "high", None) if level == "either" else (level,) for level in levels.values()]
    for chosen in itertools.product(*options):
        yield {pin: level for pin, level in zip(levels, chosen, strict=True) if level}


def _pulls(means: Sequence[_Means]) -> Iterator[Pulls]:
    """Every combination of what hands can do; of many means, two at a time."""
    options = [
        [None, *(Fault(f"{each.net}+{to}", "bridge", HAND_OHMS) for to in each.to if to != each.net)] for each in means
    ]
    for chosen in itertools.product(*options):
        pulls = tuple(each for each in chosen if each is not None)
        if len(options) <= MOST_PINS or len(pulls) <= 2:
            yield pulls


def _settings(pins: Sequence[str]) -> Iterator[dict[str, str]]:
    """Every state in which firmware may leave its pins: high, low or released; of many pins, two at a time."""
    for levels in itertools.product((None, "low", "high"), repeat=len(pins)):
        drives = {pin: level for pin, level in zip(pins, levels, strict=True) if level}
        if drives and (len(pins) <= MOST_PINS or len(drives) <= 2):
            yield drives
