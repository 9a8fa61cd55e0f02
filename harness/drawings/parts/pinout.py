"""Whether an entry of the part book has the pins where this part has them: by what its nets are called and joined to.

    reason = contradiction(entry, part, ground)      a sentence, "" where nothing speaks against it

Two pinouts may share the package and the ground pin: a regulator with IN and OUT the other way round would make a model
that feeds a supply from a rail. Where a net's name says what it cannot be, the entry is not taken. Common practice of
schematics, no source; a name that tells nothing speaks against nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final, Protocol

from wakeboard.harness.drawings.netnames import (
    function_of,
    is_cell,
    is_entry,
    is_ground,
    is_rail,
    is_usb,
    leaf,
    volts_of,
)

if TYPE_CHECKING:
    from wakeboard.harness.drawings.design import DrawnPart

Nets = Mapping[str, str]


class Entry(Protocol):
    """What is looked at of a part book's entry (book.py)."""

    @property
    def kind(self) -> str: ...
    @property
    def pins(self) -> Mapping[str, str]: ...
    @property
    def table(self) -> Mapping[str, Any]: ...
    @property
    def unused(self) -> tuple[str, ...]: ...
    @property
    def beyond_inductor(self) -> Mapping[str, str]: ...


_BEFORE_INDUCTOR: Final = re.compile(r"(?:^|_)(?:SW|LX|PH|PHASE|BST|BOOTSTRAP|FB)[0-9]?$", re.IGNORECASE)
_CONTROL: Final = ("reset", "enable", "select", "interrupt", "strap", "protect")
# One signal has several names; what two chips call by each other's view (SDI, SDO, TX, RX) tells nothing.
_SAME: Final = (
    frozenset({"CLK", "SCK", "SCLK"}), frozenset({"DO", "MISO", "SO"}), frozenset({"DI", "MOSI", "SI"}),
    frozenset({"CS", "NCS", "CSN", "SS", "NSS"}), frozenset({"DIR", "DIRECTION"}), frozenset({"CANH"}),
    frozenset({"CANL"}), frozenset({"SDA"}), frozenset({"SCL"}), frozenset({"TXD"}), frozenset({"RXD"}),
    frozenset({"HOLD"}), frozenset({"WP"}), frozenset({"ALERT"}), frozenset({"RO"}), frozenset({"DE"}),
)  # fmt: skip


def contradiction(entry: Entry, part: DrawnPart, ground: str) -> str:
    """What speaks against the entry's pins for this part, the first of it."""
    nets = {pin: part.pins[number] for number, pin in entry.pins.items() if number in part.pins}
    numbers = {pin: number for number, pin in entry.pins.items() if number in part.pins}
    judge = _JUDGES.get(entry.kind, _nothing)
    for pin, why in (*judge(entry, nets, ground), *_switching(entry, part), *_better(entry, part, nets)):
        return f"its pin {numbers.get(pin, pin)} would be {pin}, {why}"
    return ""


def _nothing(_entry: Entry, _nets: Nets, _ground: str) -> Iterator[tuple[str, str]]:
    yield from ()


def _switching(entry: Entry, part: DrawnPart) -> Iterator[tuple[str, str]]:
    """The pin before an inductor on a rail, or a pin that feeds on the net before the inductor."""
    for number in entry.beyond_inductor.values():
        if is_rail(part.pins.get(number, "")):
            yield number, f"the one before its inductor, and is on {part.pins[number]}"
    for number, pin in entry.pins.items():
        if pin in ("IN", "OUT", "BAT", "EN") and _BEFORE_INDUCTOR.search(leaf(part.pins.get(number, ""))):
            yield pin, f"and is on {part.pins[number]}"


def _better(entry: Entry, part: DrawnPart, nets: Nets) -> Iterator[tuple[str, str]]:
    """Power on a net without a rail's name, where a pin that the model does without has one."""
    idle = [part.pins[number] for number in entry.unused if number in part.pins]
    for pin, like in (("BAT", is_cell), ("IN", is_rail), ("OUT", is_rail)):
        other = next((net for net in idle if like(net) and net not in nets.values()), "")
        if pin in nets and other and not like(nets[pin]):
            yield pin, f"and is on {nets[pin]}, with another on {other}"


def _regulator(entry: Entry, nets: Nets, ground: str) -> Iterator[tuple[str, str]]:
    source, out, enable = nets.get("IN", ""), nets.get("OUT", ""), nets.get("EN", "")
    for pin, net in (("IN", source), ("OUT", out)):
        if net and (net == ground or is_ground(net)):
            yield pin, f"and is on {net}"
        if function_of(net) in _CONTROL:
            yield pin, f"and {net} is a control line by its name"
    if out and source and (is_usb(out) or is_entry(out)) and not (is_usb(source) or is_entry(source)):
        yield "OUT", f"and power enters at {out} by its name"
    if enable == ground:
        yield "EN", f"which {ground} would hold off for ever"
    if out and enable == out:
        yield "EN", f"and is on its own output {out}"
    below, above = volts_of(source), volts_of(out)
    steps_up = entry.kind == "boost"
    if below is not None and above is not None and (below > above if steps_up else below < above):
        yield "IN", f"on {source}, and its output on {out}"


def _charger(_entry: Entry, nets: Nets, ground: str) -> Iterator[tuple[str, str]]:
    source, cell = nets.get("IN", ""), nets.get("BAT", "")
    if source and is_cell(source):
        yield "IN", f"and {source} is the cell's net by its name"
    if cell and (is_usb(cell) or is_entry(cell)):
        yield "BAT", f"and power enters at {cell} by its name"
    yield from ((pin, f"and is on {net}") for pin, net in (("IN", source), ("BAT", cell)) if net == ground)


def _supervisor(_entry: Entry, nets: Nets, ground: str) -> Iterator[tuple[str, str]]:
    if is_rail(nets.get("OUT", "")):
        yield "OUT", f"and {nets['OUT']} is a rail by its name"
    if nets.get("VDD") == ground or function_of(nets.get("VDD", "")) in _CONTROL:
        yield "VDD", f"and is on {nets['VDD']}"


def _mosfet(entry: Entry, nets: Nets, ground: str) -> Iterator[tuple[str, str]]:
    """The pin from which its body diode would conduct out of ground, or into it."""
    drain, source = nets.get("D", ""), nets.get("S", "")
    if entry.table.get("channel") == "n" and drain == ground != source:
        yield "D", f"and is on {ground}: its body diode would feed {source}" if source else f"and is on {ground}"
    if entry.table.get("channel") == "p" and source == ground != drain:
        yield "S", f"and is on {ground}: its body diode would short {drain}" if drain else f"and is on {ground}"


def _bjt(entry: Entry, nets: Nets, ground: str) -> Iterator[tuple[str, str]]:
    off = "C" if entry.table.get("type") == "npn" else "E"
    for pin in (off, "B") if off == "C" else (off,):
        if nets.get(pin) == ground:
            yield pin, f"and is on {ground}"


def _chip(entry: Entry, nets: Nets, ground: str) -> Iterator[tuple[str, str]]:
    supplies = set(entry.table.get("supply", ()))
    for pin, net in nets.items():
        if pin in supplies and (net == ground or is_ground(net) or function_of(net)):
            yield pin, f"and is on {net}"
        elif pin not in supplies and pin != "GND":
            here = {_signal(each) for each, at in nets.items() if at == net}  # pins that are joined share a name
            other = _named(net) & {each for each in map(_signal, nets) if each}
            if other and not other & here:
                yield pin, f"and is on {net}"


def _signal(pin: str) -> frozenset[str]:
    return next((same for same in _SAME if pin.upper() in same), frozenset())


def _named(net: str) -> set[frozenset[str]]:
    """The signals that a net's name has as whole words."""
    words = set(re.split(r"[^A-Z0-9]+", leaf(net).upper()))
    return {same for same in _SAME if same & words}


_JUDGES: Final[Mapping[str, Callable[[Entry, Nets, str], Iterator[tuple[str, str]]]]] = {
    **dict.fromkeys(("ldo", "buck", "boost", "load_switch"), _regulator),
    **dict.fromkeys(("charger", "programmed_charger"), _charger),
    "supervisor": _supervisor, "mosfet": _mosfet, "bjt": _bjt, "chip": _chip,
}  # fmt: skip
