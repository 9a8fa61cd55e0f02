"""A line that nothing holds at the level that a state asks for."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from wakeboard.harness.describe.board.board import Line
from wakeboard.harness.describe.board.levels import LevelError, line_thresholds
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.cases import Case
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.model import Variant
from wakeboard.instruments.virtual.circuit.part import Part

CONTROLS = {"mosfet": "G", "bjt": "B"}
IDLE: Mapping[str, tuple[str, ...]] = {
    "mosfet": ("G", "D"), "bjt": ("B", "C"), "button": ("1", "2"), "capacitor": ("1", "2"),
}  # fmt: skip
"""Pins, by kind, that hold no net by themselves."""
PIN_WORDS = {"G": "gate", "B": "base", "EN": "enable"}
LEAK_OHMS = 1.5e6
"""Ω: about 2 µA from a 3.3 V rail; an input may leak 1 µA (74HC) to 10 µA (UM10204)."""
SMALL_LEAK_OHMS = 3e6
"""Ω: about 1 µA, which any input may leak (74HC): what is fitted and loses against that holds nothing."""
BASE = 0.4  # V from base to ground at which a transistor begins to conduct; common practice, no source
SERIES = 10e3
"""Ω; a resistor up to this lies in a control line, a larger one holds it; common practice, no source."""


def find(study: Study) -> Iterator[Concern]:
    for name, line in study.board.lines.items():
        volts = study.volts(line.net)
        for k, case in study.each():
            state = case.line_state if case.line == name else "boot"
            level = line.when.get(state)
            if (
                level is None
                or (case.line and case.line != name)
                or not judged(study, line, case, _wakes(study, line, case))
            ):
                continue
            concern = _judge(study, name, line, k, case, state, level, volts[k])
            if concern:
                yield concern
    yield from _controls(study)
    yield from _leaks(study)


def _wakes(study: Study, line: Line, case: Case) -> bool:
    """Whether a switched rail is on in a case that feeds a pin with a pull of its own on the line: there it pulls."""
    pulling = {
        study.rail_net(part, entry)
        for part, pin, entry in study.chips()
        if part.pins[pin] == line.net and (entry.get("pull_up") or entry.get("pull_down"))
    }
    rails = study.board.rails.items()
    return any(r.net in pulling and bool(r.on_when) and study.rail_should_be_on(name, case) for name, r in rails)


def _leaks(study: Study) -> Iterator[Concern]:
    """Lines that a pin's own leakage moves: nothing is fitted that holds them, whatever they sit at in the model."""
    for name, line in study.board.lines.items():
        level = line.when.get("boot")
        k = _at_rest(study, line) if level else None
        if level is None or k is None:
            continue
        try:
            limits = line_thresholds(study.board, line).limits(level)
        except LevelError:
            continue
        if float(study.points.net(line.net)[k]) not in limits:
            continue  # said above
        rail = _rail_near(study, line, k)
        if rail is None:
            continue
        other = rail if level == "low" else study.board.ground
        pulled = _pulled(study, line.net)
        silent = _leaks_unsaid(study, line.net) if pulled else []
        if pulled and not silent:
            continue  # every leak is stated, and the net was solved with them
        if leaks(study, line.net, rail if level == "low" else study.board.ground, k, SMALL_LEAK_OHMS) not in limits:
            silent = []
        if leaks(study, line.net, other, k) not in limits or (level == "low" and _opens_bases(study, line, other, k)):
            yield Concern(
                "undefined-level", not silent, (line.net,), state=study.cases[k].state, weight=0.5,
                says=f"{name} should be {level} in the state 'boot' and "
                + ("what is fitted holds it weakly" if silent else "nothing that is fitted holds it")
                + f": a leak of {show(LEAK_OHMS, 'Ω')} moves it",
                do=f"fit a pull-{'up' if level == 'high' else 'down'} on {line.net}",
                settles=f"what {' and '.join(silent)} may leak: leak in its io table" if silent else "",
            )  # fmt: skip


def _leaks_unsaid(study: Study, net: str) -> list[str]:
    """The pins on a net whose leakage the drawing does not state."""
    return [f"{part.name}.{pin}" for part, pin, entry in study.chips() if part.pins[pin] == net and "leak" not in entry]


def _opens_bases(study: Study, line: Line, other: str, k: int) -> bool:
    """Whether a leak into a line that should be low opens a transistor whose base then holds the line below a high."""
    variant = [Variant((leak(line.net, other),), study.cases[k].values())]
    bases = [part.pins["B"] for part in _controlled(study, line.net) if part.kind == "bjt"]
    return any(study.solved(variant, base)[0] > BASE for base in bases)


def _controlled(study: Study, net: str) -> list[Part]:
    """The transistors, regulators and switches that a net controls, itself or through a resistor in the line."""
    near = _behind_resistors(study, {net})
    parts = study.board.parts.values()
    return [part for part in parts if any(part.pins.get(pin) in near for pin in _controls_of(part))]


def _controls_of(part: Part) -> tuple[str, ...]:
    if part.kind in CONTROLS:
        return (CONTROLS[part.kind],)
    return ("EN",) if part.kind != "chip" else ()


def leaks(study: Study, net: str, other: str, k: int, ohms: float = LEAK_OHMS) -> float:
    """V of a net in a case with a leak from it to another.

    Where that has no operating point, as when the leak opens a latch half-way: where the net sits without it if a
    resistor or a pull holds it, else NaN.
    """
    volts = study.solved([Variant((leak(net, other, ohms),), study.cases[k].values())], net)[0]
    return study.volts(net)[k] if math.isnan(volts) and _pulled(study, net) else volts


def _pulled(study: Study, net: str) -> bool:
    """Whether a resistor or a pull inside a pin is on a net."""
    resistors = any(part.kind == "resistor" and net in part.pins.values() for part in study.board.parts.values())
    return resistors or any(
        part.pins[pin] == net and (entry.get("pull_up") or entry.get("pull_down")) for part, pin, entry in study.chips()
    )


def leak(net: str, other: str, ohms: float = LEAK_OHMS) -> Fault:
    """A leak between two nets."""
    return Fault(f"{net}+{other}", "bridge", f"{ohms:g}")


def _at_rest(study: Study, line: Line) -> int | None:
    """The nominal case with the most supplies on and the fewest rails switched in which the line is judged."""
    cases = [k for k, case in study.undriven() if case.corner == "nominal" and judged(study, line, case)]
    return min(cases, key=lambda k: (len(study.cases[k].drives), -len(study.cases[k].supplies)), default=None)


def _rail_near(study: Study, line: Line, k: int) -> str | None:
    """The net of a rail that is up and that a pin on the line belongs to, or else the line itself: a leak comes from
    there, and not from a higher rail that happens to stand first in the file."""
    rails = [study.rail_net(part, entry) for part, pin, entry in study.chips() if part.pins[pin] == line.net]
    named = study.board.rails.get(line.rail or "")
    rails += [named.net] if named is not None else []
    rails += [rail.net for rail in study.board.rails.values()]
    return next((net for net in rails if float(study.points.net(net)[k]) > 1.0 and net != line.net), None)


def _controls(study: Study) -> Iterator[Concern]:
    """Gates, bases and enables that nothing holds at boot and that are no line of the board file."""
    lines = {line.net for line in study.board.lines.values()}
    near = _behind_resistors(study, lines)
    rails = {rail.net for rail in study.board.rails.values()}
    for part in study.board.parts.values():
        pin = CONTROLS.get(part.kind) or ("EN" if "EN" in part.pins and part.kind != "chip" else None)
        net = part.pins.get(pin) if pin else None
        if net is None or net in near or net in rails:
            continue
        for k, case in study.undriven():
            if not case.drives and case.corner == "nominal" and _open(study, net, k) and not _fed(study, part, k):
                yield Concern(
                    "undefined-level", True, (net,), path=(part.name,), state=case.state,
                    says=f"nothing holds {part.name}'s {PIN_WORDS[pin or '']} ({net}) at power-on: it floats, and the "
                    "part may be on or off",
                    do=f"fit a resistor from {net} to where {part.name} is off",
                )  # fmt: skip


def _open(study: Study, net: str, k: int) -> bool:
    """Whether nothing holds a net; a base is held by its own junction, which is no reason to be on or off, nor is what
    transistors that are off and contacts that are open leak."""
    on_net = [text.partition(".") for text in study.circuit.on_net(net)]
    idle = [_idle(study.circuit.part(name), pin) for name, _, pin in on_net]
    return study.floating(net, k) or (all(idle) and not _both_ways(study, net))


def _idle(part: Part, pin: str) -> bool:
    """Whether a pin holds no net by itself; one that a program moves does not at power-on."""
    entry = part.values.get("io", {}).get(pin, {}) if part.kind == "chip" else {}
    off = entry.get("drive") == "off" if entry.get("type") == "output" else entry.get("type") == "io"
    released = off and entry.get("drive", "off") == "off" and not {"pull_up", "pull_down", "leak"} & set(entry)
    return released or pin in IDLE.get(part.kind, ())


def _both_ways(study: Study, net: str) -> bool:
    """Whether a transistor pulls a net each way, so that one of them always holds it."""
    parts = [part for part in study.board.parts.values() if net in (part.pins.get("C"), part.pins.get("D"))]
    return len({"p" in (part.values.get("channel"), str(part.values.get("type"))[:1]) for part in parts}) > 1


def _fed(study: Study, part: Part, k: int) -> bool:
    """Whether a part is of no matter because the rail that it cannot be on without is said to be dead already."""
    return any(net in study.rails.bad[k] for net in part.pins.values() if net != part.pins.get("OUT"))


def _behind_resistors(study: Study, nets: set[str]) -> set[str]:
    """The nets, and those that a resistor of 10 kΩ or less joins to them."""
    found = set(nets)
    for part in study.board.parts.values():
        if part.kind == "resistor" and float(part.values["value"]) <= SERIES and set(part.pins.values()) & nets:
            found |= set(part.pins.values()) - {study.board.ground}
    return found


def judged(study: Study, line: Line, case: Case, switched: bool = False) -> bool:
    """Whether a line's level can be asked for: its needs are on, its driver is not moved for a rail, a rail is up.

    switched: also where rails are switched on that the line does not need.
    """
    rails = study.board.rails
    own = _rails_of(study, line)
    wake = [*line.needs, *(own if all(rails[name].on_when for name in own) else ())]
    if (
        not switched
        and case.drives
        and not case.line
        and not any(need in rails and rails[need].on_when for need in wake)
    ):
        return False  # at boot every pin is released; a rail that has to be switched on is the exception
    if not all(study.rail_should_be_on(n, case) if n in rails else n in case.supplies for n in line.needs):
        return False
    if line.driven_by in case.drives and not case.line:
        return False
    held_off = line.when.get("boot") == "low" and bool(_controlled(study, line.net)) and not case.line
    if own and not held_off and not any(study.rail_should_be_on(name, case) for name in own):
        return False  # nobody who reads it is there
    if line.rail in study.board.supplies and not held_off:
        return line.rail in case.supplies
    always = [name for name, rail in study.board.rails.items() if not rail.on_when]
    return any(study.rail_should_be_on(name, case) for name in always or rails)


def _rails_of(study: Study, line: Line) -> set[str]:
    """The rails that a line's level is told from: the one that it names, else those of the pins that read it, else of
    the one that drives it."""
    if line.rail in study.board.rails:
        return {line.rail}
    on_net = [(f"{part.name}.{pin}", entry, part) for part, pin, entry in study.chips() if part.pins[pin] == line.net]
    readers = [each for each in on_net if each[0] != line.driven_by]
    nets = {study.rail_net(part, entry) for _, entry, part in readers or on_net}
    return {rail.name for net in nets for rail in study.rails_on(net)}


def _judge(
    study: Study, name: str, line: Line, k: int, case: Case, state: str, level: str, volts: float
) -> Concern | None:
    try:
        thresholds = line_thresholds(study.board, line)
    except LevelError as error:
        return Concern(
            "level-mismatch", False, (line.net,), weight=0.0,
            says=f"{name}: {error}", do="name a standard that holds at this rail, or write thresholds on the line",
        )  # fmt: skip
    found = thresholds.level(volts)
    floating = found != level and study.floating(line.net, k)
    if found == level:
        return None
    limit = thresholds.limits(level)
    wanted = f"at most {show(limit.high, 'V')}" if limit.high is not None else f"at least {show(limit.low or 0.0, 'V')}"
    return Concern(
        "undefined-level", True, (line.net,), state=case.state, value=volts, unit="V",
        weight=abs(volts - (limit.high if limit.high is not None else limit.low or 0.0)),
        says=f"{name} should be {level} in the state {state!r} ({wanted}) and "
        + ("floats: nothing holds it" if floating else f"sits at {show(volts, 'V')}, {_words(found)}"),
        do=f"fit a pull-{'up' if level == 'high' else 'down'} on {line.net}, or a stronger one",
    )  # fmt: skip


def _words(level: str) -> str:
    return "between the levels" if level == "undefined" else level
