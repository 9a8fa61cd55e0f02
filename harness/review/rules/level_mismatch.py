"""A driver whose high level its receiver does not recognise or cannot stand; a net pulled above the rail of a pin."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from wakeboard.harness.describe.board.pin_tables import pin_facts
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

RECOGNISED = 0.7
"""Share of its rail that a CMOS input needs for a high (74HC: 0.7 V_CC; UM10204 asks the same of I2C inputs)."""

ABOVE_RAIL = 0.3
"""V that an input stands above its rail; the usual absolute maximum, common practice, no source."""

PIN_AMPS = 0.5e-6
"""A into a pin's clamp from which a net counts as pulled above its rail; less is a leak; common practice, no source."""

INSIDE = 100e-6
"""A that pulls inside other chips may bring into a clamp; a clamp stands milliamperes; common practice, no source."""

TTL_HIGH = 0.6
"""Share of its rail below which no input that a divider feeds is sure of a high (2.0 V of 3.3 V: JESD8C's LVTTL)."""

Pin = tuple[Part, str, Mapping[str, Any]]


def find(study: Study) -> Iterator[Concern]:
    pins = list(study.chips())
    tolerant = _tolerant(study)
    for driver in pins:
        if driver[2].get("type", "io") not in ("output", "io"):
            continue
        yield from _divided(study, driver)
        for receiver in pins:
            same = (receiver[0].name, receiver[1]) == (driver[0].name, driver[1])
            if not same and receiver[0].pins[receiver[1]] == driver[0].pins[driver[1]]:
                yield from _between(study, driver, receiver, (receiver[0].name, receiver[1]) in tolerant)
    for pin in pins:
        if (pin[0].name, pin[1]) not in tolerant:
            yield from _pulled(study, pin)
    yield from _pulled_too_low(study, pins)


def _tolerant(study: Study) -> set[tuple[str, str]]:
    """The pins that stand 5 V while their chip is powered, by the pin tables."""
    return {(part.name, pin) for part, pin, facts in pin_facts(study.board) if facts.five_volt}


def _between(study: Study, driver: Pin, receiver: Pin, tolerant: bool) -> Iterator[Concern]:
    """The worst case of those in which both are on as they should be, one for each way in which it is wrong."""
    source, sink = study.rail_net(driver[0], driver[2]), study.rail_net(receiver[0], receiver[2])
    if source == sink or receiver[2].get("type") == "analog":
        return
    for k, _ in study.undriven():
        if all(_on(study, rail, k) for rail in (source, sink)):
            high, rail = float(study.points.net(source)[k]), float(study.points.net(sink)[k])
            if high > rail + ABOVE_RAIL and receiver[2].get("clamp", True) and not tolerant:
                yield _above(study, driver, receiver, k)
            needed = float(receiver[2].get("reads_high", RECOGNISED * rail))
            if high < needed and receiver[2].get("type") != "output":
                yield _below(study, driver, receiver, k, needed)


def _names(driver: Pin, receiver: Pin) -> str:
    return f"{driver[0].name}.{driver[1]} → {receiver[0].name}.{receiver[1]}"


def _above(study: Study, driver: Pin, receiver: Pin, k: int) -> Concern:
    source, sink = study.rail_net(driver[0], driver[2]), study.rail_net(receiver[0], receiver[2])
    high, rail = float(study.points.net(source)[k]), float(study.points.net(sink)[k])
    return Concern(
        "level-mismatch", True, (driver[0].pins[driver[1]], source, sink), path=(driver[0].name, receiver[0].name),
        state=study.cases[k].state, value=high, unit="V", weight=high - rail,
        says=f"{_names(driver, receiver)}: a high of {show(high, 'V')} meets an input on a rail of {show(rail, 'V')}",
        do="put a level shifter or a divider between them, or choose an input that tolerates it",
    )  # fmt: skip


def _below(study: Study, driver: Pin, receiver: Pin, k: int, needed: float) -> Concern:
    source, sink = study.rail_net(driver[0], driver[2]), study.rail_net(receiver[0], receiver[2])
    high, rail = float(study.points.net(source)[k]), float(study.points.net(sink)[k])
    return Concern(
        "level-mismatch", True, (driver[0].pins[driver[1]], source, sink), path=(driver[0].name, receiver[0].name),
        state=study.cases[k].state, value=high, unit="V", weight=needed - high,
        says=f"{_names(driver, receiver)}: a high of {show(high, 'V')} is below the {show(needed, 'V')} that an input "
        f"on {show(rail, 'V')} recognises", do="put a level shifter between them",
    )  # fmt: skip


def _pulled(study: Study, pin: Pin) -> Iterator[Concern]:
    """A net that something other than a chip's own output lifts above the rail of a pin that clamps to it."""
    part, name, entry = pin
    sink, net = study.rail_net(part, entry), part.pins[name]
    if not entry.get("clamp", True) or net == sink:
        return
    for k, case in study.undriven():
        volts, rail = float(study.points.net(net)[k]), float(study.points.net(sink)[k])
        if volts <= rail + ABOVE_RAIL or not _on(study, sink, k):
            continue
        amps = float(study.points.current(part.name, name)[k])
        if amps > PIN_AMPS or entry.get("type") == "analog":  # beyond what it converts, and its absolute maximum
            path = study.path(k, net)
            if amps < INSIDE and _by_pulls_inside(study, path):
                continue
            yield Concern(
                "level-mismatch", True, (net, sink), path=(*path, part.name), state=case.state, value=volts, unit="V",
                weight=amps,
                says=f"{net} stands at {show(volts, 'V')}, above the {show(rail, 'V')} of {part.name}.{name}'s rail: "
                f"{show(amps, 'A')} flow through the pin's clamp"
                + (f", fed through {' → '.join(path)}" if path else ""),
                do=f"pull {net} up to {sink}, divide it down, or choose an input that tolerates it",
            )  # fmt: skip


def _pulled_too_low(study: Study, pins: Sequence[Pin]) -> Iterator[Concern]:
    """A line that only a pull-up brings high, to less than a part on a higher rail recognises (UM10204, table 10: each
    part of an I2C bus asks for a share of its own supply)."""
    pushed = {part.pins[pin] for part, pin, entry in pins if entry.get("type", "io") in ("output", "io")}
    pulled = [line for line in study.board.lines.values() if line.when.get("boot") == "high" and line.net not in pushed]
    for line in pulled:
        for part, pin, entry in pins:
            sink = study.rail_net(part, entry)
            reads = ("input", "open_drain") if line.bus else ("input",)  # of a bus's open drains each is read, too
            if part.pins[pin] != line.net or entry.get("type") not in reads:
                continue
            others = [study.rail_net(other, e) for other, p, e in pins if other.pins[p] == line.net]
            lower = [net for net in others if net != sink]
            for k, case in study.undriven():
                volts, rail = float(study.points.net(line.net)[k]), float(study.points.net(sink)[k])
                highs = [float(study.points.net(net)[k]) for net in lower if _on(study, net, k)]
                needed = float(entry.get("reads_high", RECOGNISED * rail))
                if _on(study, sink, k) and highs and abs(volts - max(highs)) < ABOVE_RAIL and volts < needed:
                    yield Concern(
                        "level-mismatch", True, (line.net, sink), path=(part.name,), state=case.state, value=volts,
                        unit="V", weight=needed - volts,
                        says=f"{line.net} is pulled up to {show(volts, 'V')}, below the {show(needed, 'V')} that "
                        f"{part.name}.{pin} on {show(rail, 'V')} recognises",
                        do=f"feed {part.name} from the rail that {line.net} is pulled up to, or shift the level",
                    )  # fmt: skip


def _by_pulls_inside(study: Study, path: tuple[str, ...]) -> bool:
    """Whether nothing but a pull inside another chip brings the current: makers of 5 V transceivers count on clamps."""
    last = study.board.parts.get(path[-1]) if path else None
    return last is not None and last.kind == "chip"


def _divided(study: Study, driver: Pin) -> Iterator[Concern]:
    """A high that a divider between an output and an input brings below what the input recognises."""
    part, pin, entry = driver
    if entry.get("drive") != "high":
        return
    fixed = {study.board.ground, *(rail.net for rail in study.board.rails.values())}
    lines = {line.net for line in study.board.lines.values()}
    for other in study.board.parts.values():
        ends = set(other.pins.values())
        if other.kind != "resistor" or part.pins[pin] not in ends or ends & fixed:
            continue
        for net in ends - {part.pins[pin]} - lines:
            for receiver in study.chips():
                if receiver[0].pins[receiver[1]] == net and receiver[2].get("type") == "input":
                    yield from _too_low(study, driver, receiver)


def _too_low(study: Study, driver: Pin, receiver: Pin) -> Iterator[Concern]:
    source, sink = study.rail_net(driver[0], driver[2]), study.rail_net(receiver[0], receiver[2])
    net = receiver[0].pins[receiver[1]]
    for k, _ in study.undriven():
        if all(_on(study, rail, k) for rail in (source, sink)):
            volts, rail = float(study.points.net(net)[k]), float(study.points.net(sink)[k])
            needed = float(receiver[2].get("reads_high", TTL_HIGH * rail))
            if volts < needed:
                yield Concern(
                    "level-mismatch", True, (net, sink), path=(driver[0].name, receiver[0].name),
                    state=study.cases[k].state, value=volts, unit="V", weight=needed - volts,
                    says=f"{_names(driver, receiver)}: a high reaches {net} as {show(volts, 'V')}, below the "
                    f"{show(needed, 'V')} that the input recognises",
                    do=f"choose the resistors between them so that {net} stands above {show(needed, 'V')}",
                )  # fmt: skip


def _on(study: Study, net: str, k: int) -> bool:
    """Whether a rail is on as it should be, or a supply by whose net a chip is fed at once."""
    case = study.cases[k]
    fed = any(supply.net == net and name in case.supplies for name, supply in study.board.supplies.items())
    return fed or any(study.rail_should_be_on(rail.name, case) for rail in study.rails_on(net))
