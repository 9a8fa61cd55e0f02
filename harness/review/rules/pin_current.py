"""A pin that what hangs on it asks for more current than it stands, driven high or low."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wakeboard.harness.describe.board.pin_tables import pin_facts
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.model import Variant

LAMP = 10e-3
"""A that a pin gives a lamp which nothing but the pin limits, where no data say what it stands: little, since its own
resistance is not told to better than a factor of two; common practice, no source."""

SETS = 47.0
"""Ω; a resistor below this sets no current beside a pin's own some tens of ohms; common practice, no source."""

POWERED = 1.0  # V on its rail from which a pin can drive

LEVELS: Mapping[str, tuple[str, ...]] = {"io": ("high", "low"), "output": ("high", "low"), "open_drain": ("low",)}


def find(study: Study) -> Iterator[Concern]:
    driving = list(_driving(study))
    pins = [(k, *each, "") for each in driving if (k := _case(study, *each[:2])) is not None]
    pins += [
        (k, *each, sinks) for each, sinks in _between_pins(study, driving) if (k := _case(study, *each[:2])) is not None
    ]
    if not pins:
        return
    points = study.model.solve(
        [
            Variant(
                values={
                    **study.cases[k].values(),
                    f"{part}.{pin}.drive": level,
                    **({f"{sinks}.drive": "low"} if sinks else {}),
                }
            )
            for k, part, pin, level, _, sinks in pins
        ]
    )
    for row, (k, part, pin, level, most, sinks) in enumerate(pins):
        if points.status[row] != "ok":
            continue
        amps = abs(float(points.current(part, pin)[row]))
        if amps > most:
            net = study.board.parts[part].pins[pin]
            other = [study.circuit.part(sinks.partition(".")[0]).pins[sinks.partition(".")[2]]] if sinks else []
            lamps = [lamp for each in (net, *other) for lamp in _lamps_at(study, each)]
            yield Concern(
                "rating", True, tuple(dict.fromkeys((net, *lamps, *other))), path=(f"{part}.{pin}",),
                state=study.cases[k].state, value=amps, unit="A", weight=amps / most,
                says=f"{part}.{pin}, driven {level}{f' with {sinks} low' if sinks else ''}, gives {show(amps, 'A')}; "
                f"it stands {show(most, 'A')}",
                do=f"put a resistor, or a larger one, between {part}.{pin} and what it drives, or a transistor",
            )  # fmt: skip


def _driving(study: Study) -> Iterator[tuple[str, str, str, float]]:
    """(part, pin, level, A) of what may be driven and says what it stands, on the board or in its pin table."""
    known = {(part.name, pin): facts.most for part, pin, facts in pin_facts(study.board) if facts.most}
    lamps = _bare_lamps(study)
    answered = {part.pins[pin] for part, pin, entry in study.chips() if entry.get("type") == "output"}
    for part, pin, entry in study.chips():
        if entry.get("type") != "output" and part.pins[pin] in answered:
            continue  # another chip drives there: this pin listens
        most = _most(entry) or known.get((part.name, pin)) or (LAMP if part.pins[pin] in lamps else None)
        for level in LEVELS.get(entry.get("type", "io"), ()) if most else ():
            yield part.name, pin, level, most or 0.0


def _between_pins(
    study: Study, driving: list[tuple[str, str, str, float]]
) -> Iterator[tuple[tuple[str, str, str, float], str]]:
    """What may be driven high while another pin is driven low, a lamp between them, and that other pin."""
    high = {study.board.parts[each[0]].pins[each[1]]: each for each in driving if each[2] == "high"}
    low = {study.board.parts[part].pins[pin]: f"{part}.{pin}" for part, pin, level, _ in driving if level == "low"}
    for lamp in study.board.parts.values():
        if lamp.kind == "led":
            before, after = ({lamp.pins[end], *_behind(study, lamp.pins[end])} for end in ("A", "K"))
            yield from ((high[a], low[k]) for a in sorted(before & set(high)) for k in sorted(after & set(low)))


def _behind(study: Study, net: str) -> set[str]:
    """The nets that a resistor joins to one, neither ground nor a rail."""
    fixed = {study.board.ground, *(rail.net for rail in study.board.rails.values())}
    ends = [set(p.pins.values()) for p in study.board.parts.values() if p.kind == "resistor" and net in p.pins.values()]
    return {other for each in ends for other in each - {net} if not fixed & each}


def _bare_lamps(study: Study) -> set[str]:
    """The nets of light-emitting diodes, and those before a resistor too small to set their current."""
    nets = {net for part in study.board.parts.values() if part.kind == "led" for net in part.pins.values()}
    fixed = {study.board.ground, *(rail.net for rail in study.board.rails.values())}
    nets -= fixed
    for part in study.board.parts.values():
        ends = set(part.pins.values())
        if part.kind == "resistor" and ends & nets and float(part.values["value"]) < SETS and not ends & fixed:
            nets |= ends
    return nets


def _lamps_at(study: Study, net: str) -> list[str]:
    """The nets of lamps that a small resistor joins to a net."""
    ends = [{*p.pins.values()} for p in study.board.parts.values() if p.kind == "resistor" and net in p.pins.values()]
    lamps = {n for part in study.board.parts.values() if part.kind == "led" for n in part.pins.values()}
    return sorted({other for each in ends for other in each & lamps} - {net, study.board.ground})


def _most(entry: Mapping[str, Any]) -> float | None:
    found = entry.get("max")
    return float(found) if found is not None else None


def _case(study: Study, name: str, pin: str) -> int | None:
    """The nominal case with the most supplies on and the fewest rails switched in which a chip's pin has its rail."""
    part = study.board.parts[name]
    up = study.volts(study.rail_net(part, part.values.get("io", {}).get(pin, {})))
    cases = [k for k, case in study.undriven() if case.corner == "nominal" and up[k] > POWERED]
    return min(cases, key=lambda k: (len(study.cases[k].drives), -len(study.cases[k].supplies)), default=None)
