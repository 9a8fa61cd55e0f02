"""A pin that two functions want, two outputs on one net, a strap that is held the wrong way."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping

from wakeboard.harness.describe.board.pin_tables import boots_of, pin_facts
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show

IN_LINE = 1e3
"""Ω; a resistor up to this between two nets lies in one line of data; common practice, no source."""


def find(study: Study) -> Iterator[Concern]:
    yield from _drivers(study)
    yield from _outputs(study)
    yield from _answered(study)
    yield from _unanswered(study)
    yield from _straps(study)


def _drivers(study: Study) -> Iterator[Concern]:
    lines: dict[str, list[str]] = defaultdict(list)
    for name, line in study.board.lines.items():
        if line.driven_by:
            lines[line.driven_by].append(name)
    for pin, names in lines.items():
        if len(names) > 1:
            yield Concern(
                "pin-conflict", True, tuple(study.board.lines[name].net for name in names), path=(pin,),
                says=f"{pin} drives {' and '.join(names)}", do="give each line a pin of its own",
            )  # fmt: skip


def _outputs(study: Study) -> Iterator[Concern]:
    """Push-pull outputs on one net of which one drives all the time, with the current that they would fight with."""
    outputs: dict[str, list[tuple[str, float]]] = defaultdict(list)
    always: set[str] = set()
    feeding: dict[str, set[str]] = defaultdict(set)
    for part, pin, entry in study.chips():
        if entry.get("type") == "output":
            outputs[part.pins[pin]].append((f"{part.name}.{pin}", float(entry.get("ohms", 40.0))))
            feeding[part.pins[pin]].add(study.rail_net(part, entry))
            always |= {part.pins[pin]} if entry.get("drive", "off") in ("high", "low") else set()
    for net, pins in outputs.items():
        if len(pins) > 1 and net in always:  # several that are all let go at rest share a bus
            volts = max(float(v) for rail in feeding[net] for v in study.volts(rail))
            amps = volts / sum(ohms for _, ohms in pins)
            names = " and ".join(pin for pin, _ in pins)
            yield Concern(
                "pin-conflict", True, (net,), path=tuple(pin for pin, _ in pins), value=amps, unit="A",
                says=f"{names} both drive {net}; they may fight with about {show(amps, 'A')}",
                do="take one output off the net, make one open-drain, or put a resistor between them",
            )  # fmt: skip


def _answered(study: Study) -> Iterator[Concern]:
    """A line that a pin drives, with another chip's push-pull output on the same net: two serial lines not crossed."""
    for name, line in study.board.lines.items():
        driver = line.driven_by or ""
        if not driver or study.board.net_of(driver) != line.net or _type(study, driver) == "open_drain":
            continue
        for part, pin, entry in study.chips():
            other = f"{part.name}.{pin}"
            if part.pins[pin] == line.net and other != driver and entry.get("type") == "output":
                yield Concern(
                    "pin-conflict", True, (line.net,), path=(driver, other), weight=1.0,
                    says=f"{name} is driven by {driver}, and {other} is an output on the same net: they fight",
                    do="exchange the two nets if they are a crossed pair, or put a resistor between the outputs",
                )  # fmt: skip


def _unanswered(study: Study) -> Iterator[Concern]:
    """A net that joins inputs of several chips and nothing that could drive or hold it."""
    inputs: dict[str, list[str]] = defaultdict(list)
    lines = _lines(study)
    for part, pin, entry in study.chips():
        if entry.get("type") == "input":
            inputs[lines.get(part.pins[pin], part.pins[pin])].append(f"{part.name}.{pin}")
    for net, pins in inputs.items():
        chips = {pin.partition(".")[0] for pin in pins}
        if len(chips) < 2 or study.rails_on(net) or net == study.board.ground:
            continue
        nets = [net, *(each for each, of in lines.items() if of == net)]
        others = {each for one in nets for each in study.circuit.on_net(one) if each not in pins}
        crossed = _crossed(study, nets, chips, lines)
        if not others or (crossed and all(_is_resistor(study, each) for each in others)):
            where = f", while {crossed} joins their outputs" if crossed else ""
            yield Concern(
                "pin-conflict", True, (net, *([crossed] if crossed else [])), path=tuple(pins),
                says=f"{net} joins {' and '.join(pins)}, inputs all of them: nothing drives it{where}",
                do=f"exchange {net} and {crossed} at one of them" if crossed
                else "look for two lines that are not crossed, or for what should drive it",
            )  # fmt: skip


def _lines(study: Study) -> dict[str, str]:
    """Nets that a resistor of a few ohms in the line joins to another one: by which net they go."""
    fixed = {study.board.ground, *(rail.net for rail in study.board.rails.values())}
    found: dict[str, str] = {}
    for part in study.board.parts.values():
        if part.kind == "resistor" and float(part.values["value"]) <= IN_LINE and not set(part.pins.values()) & fixed:
            a, b = part.pins.values()
            found[a] = found.get(b, b)
    return {net: of for net, of in found.items() if of != net}


def _crossed(study: Study, nets: list[str], chips: set[str], lines: Mapping[str, str]) -> str:
    """The net on which the same two chips meet with an output and a pin that may drive: the other line of a pair."""
    for part, pin, entry in study.chips():
        if part.name in chips and entry.get("type") == "output":
            here = part.pins[pin]
            for other, own, its in study.chips():
                drives = its.get("type", "io") in ("io", "output")
                same = lines.get(other.pins[own], other.pins[own]) == lines.get(here, here)
                if other is not part and other.name in chips and same and here not in nets and drives:
                    return here
    return ""


def _is_resistor(study: Study, pin: str) -> bool:
    return study.circuit.part(pin.partition(".")[0]).kind == "resistor"


def _type(study: Study, pin: str) -> str:
    part, _, name = pin.partition(".")
    return str(study.board.parts[part].values.get("io", {}).get(name, {}).get("type", "io")) if name else ""


def _straps(study: Study) -> Iterator[Concern]:
    for part, pin, facts in pin_facts(study.board):
        if facts.strap is None or any(pin in straps for straps in boots_of(study.board, part)[0].values()):
            continue  # how it starts is judged by the rule boot-mode
        net = part.pins[pin]
        rail = part.pins.get("VDD") or next(iter(part.values.get("supply", {})), "")
        rail_net = part.pins.get(rail, rail)
        for k, case in study.undriven():
            supply = float(study.points.net(rail_net)[k]) if rail_net in study.points.nets else 0.0
            volts = float(study.points.net(net)[k])
            wrong = volts > 0.3 * supply if facts.strap == "low" else volts < 0.7 * supply
            if supply > 1.0 and (wrong or study.floating(net, k)):
                yield Concern(
                    "pin-conflict", True, (net,), path=(f"{part.name}.{pin}",), state=case.state, value=volts, unit="V",
                    weight=abs(volts - (0.0 if facts.strap == "low" else supply)),
                    says=f"{part.name}.{pin} is read as a strap when reset is released and must be {facts.strap} "
                    f"({facts.strap_says}); it sits at {show(volts, 'V')}",
                    do=f"hold {net} {facts.strap} until reset is released",
                )  # fmt: skip
