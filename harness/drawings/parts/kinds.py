"""Parts of a board file from references, values and the part book; what cannot be told is left as a place to fill in.

    lines = part_lines(design, book, ground)      a PartLine for each part of the drawing

Nothing is guessed in silence: `origin` says where a line comes from and what was taken for granted, `fill` the one
thing that a person has to say.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from wakeboard.harness.drawings.design import Design, DrawnPart
from wakeboard.harness.drawings.netnames import is_rail, volts_of
from wakeboard.harness.drawings.parts.book import Book, Entry
from wakeboard.harness.drawings.parts.converters import converter
from wakeboard.harness.drawings.parts.telling import (
    HERTZ,
    LED,
    PTC,
    SCHOTTKY,
    SILICON,
    TVS,
    ZENER,
    is_connector,
    is_mechanical,
    is_test_point,
    kind_of_two,
    nets_of,
)
from wakeboard.harness.drawings.parts.values import Marking, bead, marking, tidy
from wakeboard.harness.drawings.references import split
from wakeboard.instruments.quantity import show

_HARMLESS: Final = ("Y", "XTAL", "ANT", "AE", "E", "LS", "SP", "BZ", "MIC", "SG", "NT", "SH")
_CATHODE: Final = ("K", "C", "CATHODE", "-", "KATHODE", "CAT")
_ANODE: Final = ("A", "ANODE", "+", "AN")
TAKEN_PIN_1: Final = "pin 1 taken as the cathode, as most land patterns have it"


@dataclass
class PartLine:
    """A part of the board file to be. table: kind, pins, values as text; fitted: False for "not fitted"; notes: what
    the files say of single pins."""

    name: str
    table: dict[str, Any]
    origin: str
    fill: str = ""
    fitted: bool = True
    harmless: bool = False
    from_file: bool = False
    notes: Mapping[str, str] = field(default_factory=dict)

    @property
    def kind(self) -> str:
        return str(self.table["kind"])

    @property
    def nets(self) -> list[str]:
        return list(self.table["pins"].values())


@dataclass
class Reading:
    """What the makers of part lines look at."""

    design: Design
    book: Book
    ground: str
    lines: dict[str, PartLine] = field(default_factory=dict)


def part_lines(design: Design, book: Book, ground: str) -> dict[str, PartLine]:
    """The parts that go into [parts], by name; test points and mechanical parts are left out."""
    reading = Reading(design, book, ground)
    for part in design.parts.values():
        if part.pins and not is_mechanical(part) and not is_test_point(part):
            reading.lines[part.name] = _line(reading, part, split(part.name)[0])
    _leave_out_loose(reading.lines, ground)
    return reading.lines


def _leave_out_loose(lines: dict[str, PartLine], ground: str) -> None:
    """Nets with capacitors, resistors between them and nothing else (a regulator's pin that its model does without)
    have no operating point: what is on them has no model."""
    nets = _only_capacitors_on(lines, ground)
    for line in lines.values():
        loose = [net for net in line.nets if net in nets]
        if line.kind in ("capacitor", "resistor") and loose and line.fitted:
            line.table = {"kind": "unmodelled", "pins": line.table["pins"]}
            line.origin, line.harmless = (
                f"{line.origin}; only capacitors are on {loose[0]}: no part in the circuit",
                True,
            )


def _only_capacitors_on(lines: Mapping[str, PartLine], ground: str) -> set[str]:
    """The nets that a capacitor is on and that nothing but resistors joins to one another."""
    kinds: dict[str, set[str]] = {}
    island: dict[str, set[str]] = {}
    for line in lines.values():
        for net in line.nets if line.fitted else ():
            kinds.setdefault(net, set()).add(line.kind)
            island.setdefault(net, {net})
        if line.fitted and line.kind == "resistor":
            joined = set().union(*(island[net] for net in line.nets))
            island.update(dict.fromkeys(joined, joined))
    held = {net: set().union(*(kinds[each] for each in nets)) for net, nets in island.items()}
    loose = {net for net, found in held.items() if "capacitor" in found and found <= {"capacitor", "resistor"}}
    return {net for net in loose if ground not in island[net]}


def _line(reading: Reading, part: DrawnPart, letters: str) -> PartLine:
    by_number = letters in _PLAIN
    line = _from_model(part) or _from_book(reading, part, by_number=by_number)
    if line is None:
        line = _PLAIN.get(letters, _chip)(reading, part)
        if line.kind == "unmodelled" and line.fill:
            line = _by_words(reading, part) or _by_nets(reading, part) or line
        against = reading.book.against(part, reading.ground, by_number=by_number)
        if against and line.kind == "unmodelled":
            line.fill = f"{line.fill} ({against})"
    line.fitted = part.fitted is not False
    line.origin = _origin(part, line.origin)
    return line


def _by_words(reading: Reading, part: DrawnPart) -> PartLine | None:
    """Where letters tell nothing or the wrong thing: words do, for a part with two nets; a connector has any number."""
    if nets_of(part) > 2 and TVS.search(part.text):
        return _left(part, "", harmless=True)
    if nets_of(part) > 2:
        return _connector(reading, part) if is_connector(part) and split(part.name)[0] not in ("U", "IC") else None
    maker = _TOLD.get(kind_of_two(part)) if nets_of(part) == 2 else None
    line = maker(reading, part) if maker else None
    return line if line is not None and (line.kind != "unmodelled" or line.harmless) else None


def _by_nets(reading: Reading, part: DrawnPart) -> PartLine | None:
    table, note = converter(reading.design, part, reading.ground)
    return PartLine(part.name, table, note) if table else None


def _origin(part: DrawnPart, extra: str) -> str:
    said = [f"nets {part.said['pins']}"] if "pins" in part.said else []
    for word in ("value", "number", "description"):
        text = getattr(part, word)
        if text and word in part.said:
            said.append(f'"{_short(text)}" {part.said[word]}')
            break
    return "; ".join(filter(None, [*said, extra]))


def _short(text: str) -> str:
    plain = " ".join(text.split())
    return plain if len(plain) <= 40 else plain[:39] + "…"


# --- two pins -------------------------------------------------------------------------------------------------------
def _two(part: DrawnPart) -> tuple[str, str] | None:
    """The nets of the first and the second pin; None where there are not two nets, or more."""
    pins = sorted(part.pins, key=_pin_order)
    nets = list(dict.fromkeys(part.pins[pin] for pin in pins))
    if len(pins) == 2:
        return part.pins[pins[0]], part.pins[pins[1]]
    return (nets[0], nets[1]) if len(nets) == 2 else None


def _pin_order(pin: str) -> tuple[int, int, str]:
    first = {"+": 0, "A": 1, "-": 3, "K": 3}
    return (1, int(pin), "") if pin.isdigit() else (first.get(pin.upper(), 2), 0, pin)


def _passive(letter: str, kind: str) -> Callable[[Reading, DrawnPart], PartLine]:
    def made(_reading: Reading, part: DrawnPart) -> PartLine:
        nets, mark = _two(part), _marked(letter, part)
        if nets is None:
            return _left(part, f"it has {len(set(part.pins.values()))} nets: an array? Say what it is")
        if mark.value is None:
            return _left(part, f'kind = "{kind}" and its value')
        table = {"kind": kind, "value": show(mark.value, mark.unit), "pins": {"1": nets[0], "2": nets[1]}}
        if mark.tolerance is not None:
            table["tolerance"] = show(mark.tolerance, "%")
        _ratings(table, kind, mark)
        return PartLine(part.name, table, "")

    return made


def _ratings(table: dict[str, Any], kind: str, mark: Marking) -> None:
    found = {
        "voltage": show(mark.volts, "V") if mark.volts and kind in ("capacitor", "resistor") else None,
        "power": show(mark.watts, "W") if mark.watts and kind == "resistor" else None,
        "current": show(mark.amps, "A") if mark.amps and kind == "inductor" else None,
    }
    limits = {word: text for word, text in found.items() if text}
    if limits:
        table["max"] = limits


def _marked(letter: str, part: DrawnPart) -> Marking:
    """The marking in the value, completed by what the description and the part number say."""
    first = marking(letter, part.value)
    for text in (part.description, part.number):
        more = marking(
            letter, re.sub(r"\b(?:0?[0-9]{3,4})\b(?!\s*(?:[pnuµkKMmRΩ]|[oO][hH][mM]|[pPuUnN][fF]))", " ", text)
        )
        value = first.value if first.value is not None or letter == "" else more.value
        first = Marking(
            value, first.unit, _or(first.tolerance, more.tolerance), _or(first.volts, more.volts),
            _or(first.watts, more.watts), _or(first.amps, more.amps), first.dielectric or more.dielectric,
        )  # fmt: skip
    return first


def _or(first: float | None, second: float | None) -> float | None:
    return second if first is None else first


def _resistor(reading: Reading, part: DrawnPart) -> PartLine:
    return _passive("R", "resistor")(reading, part)


def _ferrite(_reading: Reading, part: DrawnPart) -> PartLine:
    nets, found = _two(part), bead(part.value) or bead(part.description)
    if nets is None:
        return _left(part, "kind, value and pins")
    pins = {"1": nets[0], "2": nets[1]}
    if found is None:
        table = {"kind": "resistor", "value": "0.1 Ω", "pins": pins}
        return PartLine(part.name, table, "a ferrite bead: 0.1 Ω taken at DC")
    henries = found[0] / (2 * math.pi * found[1])
    table = {"kind": "inductor", "value": show(henries, "H", 2), "pins": pins}
    return PartLine(
        part.name, table, f"{show(found[0], 'Ω')} at {show(found[1], 'Hz')} is {show(henries, 'H', 2)} at most"
    )


def _fuse(_reading: Reading, part: DrawnPart) -> PartLine:
    nets, mark = _two(part), _marked("", part)
    if nets is None:
        return _left(part, "kind and pins")
    resettable = bool(PTC.search(part.text))
    table: dict[str, object] = {"kind": "ptc" if resettable else "fuse", "pins": {"1": nets[0], "2": nets[1]}}
    if resettable and mark.amps:
        table["hold"] = show(mark.amps, "A")
    elif mark.amps:
        table["max"] = {"current": show(mark.amps, "A")}
    return PartLine(part.name, table, "" if mark.amps else "its current is not told")


def _diode(reading: Reading, part: DrawnPart) -> PartLine:
    if _two(part) is None and TVS.search(part.text):
        return _left(part, "", harmless=True)  # it clamps beyond what a line is meant to have
    if _two(part) is None:
        return _left(part, "kind and pins: more than one diode in it?")
    kind = _diode_kind(part)
    pins, note = _polarity(reading, part, kind)
    table: dict[str, object] = {"kind": kind, "pins": pins}
    if kind == "zener":
        volts = _marked("", part).volts or _zener_volts(part.text)
        if volts is None:
            return _left(part, 'kind = "zener", its volts and pins', harmless=bool(TVS.search(part.text)))
        if TVS.search(part.text):
            note = f"{note}; breaks down some 15 % above its stand-off voltage"
            volts *= 1.15
        table["volts"] = show(volts, "V", 3)
    elif not part.text.strip() and kind != "led":
        return _left(part, "which kind of diode: diode, schottky, zener or led")
    elif kind == "diode" and not SILICON.search(part.text):
        note = f"{note}; taken as a silicon diode"
    return PartLine(part.name, table, note)


def _diode_kind(part: DrawnPart) -> str:
    text = part.text
    if LED.search(text) or split(part.name)[0] == "LED" or LED.search(part.value) or LED.search(part.footprint):
        return "led"
    if SCHOTTKY.search(text):
        return "schottky"
    return "zener" if ZENER.search(text) or TVS.search(text) else "diode"


def _zener_volts(text: str) -> float | None:
    match = re.search(r"C([0-9]+)V([0-9]*)|(?:SM[ABCF]+J)([0-9]+\.?[0-9]*)", text, re.IGNORECASE)
    if not match:
        return None
    return float(match[3]) if match[3] else float(f"{match[1]}.{match[2] or 0}")


def _polarity(reading: Reading, part: DrawnPart, kind: str) -> tuple[dict[str, str], str]:
    """{"A": net, "K": net}, and what was taken for granted."""
    by_name = {name: net for pin, net in part.pins.items() for name in (_electrode(part, pin),) if name}
    if set(by_name) == {"A", "K"}:
        return {"A": by_name["A"], "K": by_name["K"]}, ""
    first, second = _two(part) or ("", "")
    if set(part.pins) == {"1", "3"}:
        return {"A": first, "K": second}, "pin 3 taken as the cathode, as one diode in a SOT-23 has it"
    if kind == "led" and second == reading.ground:
        return {"A": first, "K": second}, "pin 2 is on ground, so it is the cathode"
    return {"A": second, "K": first}, TAKEN_PIN_1


def _electrode(part: DrawnPart, pin: str) -> str:
    for name in (part.pin_names.get(pin, "").upper(), pin.upper()):
        if name in _CATHODE:
            return "K"
        if name in _ANODE:
            return "A"
    return ""


# --- the rest -------------------------------------------------------------------------------------------------------
def _connector(_reading: Reading, part: DrawnPart) -> PartLine:
    return PartLine(part.name, {"kind": "connector", "pins": dict(part.pins)}, "")


def _switch(_reading: Reading, part: DrawnPart) -> PartLine:
    nets = _two(part)
    if nets is None or nets[0] == nets[1]:
        return _left(part, "", harmless=True)
    table = {"kind": "switch", "pins": {"1": nets[0], "2": nets[1]}}
    return PartLine(part.name, table, "taken as open")


def _crystal(reading: Reading, part: DrawnPart) -> PartLine:
    if HERTZ.search(part.text) or split(part.name)[0] != "X":
        return _left(part, "", harmless=True)
    return _connector(reading, part)


def _harmless(_reading: Reading, part: DrawnPart) -> PartLine:
    return _left(part, "", harmless=True)


def _chip(_reading: Reading, part: DrawnPart) -> PartLine:
    what = f'"{_short(part.value or part.number)}"' if part.value or part.number else "what it is"
    line = _left(part, f"a model for {what}: `wakeboard parts` shows the kinds")
    rail = _feeding_pin(part)
    if rail and len(part.pins) >= 8:
        line.table["rail"] = rail
    return line


def _feeding_pin(part: DrawnPart) -> str:
    """The first pin on the rail that most of its pins are on; "" where none is on a rail."""
    rails = [net for net in part.pins.values() if is_rail(net)]
    net = max(rails, key=rails.count, default="")
    return next((pin for pin, each in part.pins.items() if each == net), "")


def _left(part: DrawnPart, fill: str, *, harmless: bool = False) -> PartLine:
    """A part without a model: its pins by number, or by name where a file names them."""
    return PartLine(part.name, {"kind": "unmodelled", "pins": dict(part.pins)}, "", fill, harmless=harmless)


_PLAIN: Final[Mapping[str, Callable[[Reading, DrawnPart], PartLine]]] = {
    "R": _resistor, "C": _passive("C", "capacitor"), "L": _passive("L", "inductor"), "FB": _ferrite, "FL": _ferrite,
    "F": _fuse, "PTC": _fuse, "J": _connector, "P": _connector, "CN": _connector, "CON": _connector, "JP": _switch,
    "X": _crystal, "USB": _connector, "BT": _connector, "BAT": _connector, "SW": _switch, "S": _switch, "PB": _switch,
    "BTN": _switch, "SJ": _switch, "K": _harmless, "TB": _connector, "HDR": _connector, "SK": _connector,
    "PL": _connector, "ST": _connector, **dict.fromkeys(_HARMLESS, _harmless),
}  # fmt: skip


_TOLD: Final[Mapping[str, Callable[[Reading, DrawnPart], PartLine]]] = {
    "diode": _diode, "crystal": _harmless, "fuse": _fuse, "ferrite": _ferrite, "inductor": _passive("L", "inductor"),
    "capacitor": _passive("C", "capacitor"), "resistor": _resistor, "switch": _switch, "connector": _connector,
}  # fmt: skip


# --- what is described elsewhere ------------------------------------------------------------------------------------
def _from_model(part: DrawnPart) -> PartLine | None:
    """A part whose file says what it is: a netlist of the circuit, a chip's own file."""
    if not part.model:
        return None
    fill = "a model for what the netlist has there" if part.model["kind"] == "unmodelled" else ""
    origin = str(part.said.get("model", ""))
    return PartLine(part.name, dict(part.model), origin, fill, from_file=True, notes=part.notes)


def _from_book(reading: Reading, part: DrawnPart, *, by_number: bool) -> PartLine | None:
    def coil(net: str) -> str:
        return _beyond_inductor(reading, net)

    entry = reading.book.find(part, reading.ground, by_number=by_number, coil=coil)
    if entry is None:
        diode = split(part.name)[0] in ("D", "LED", "DS", "ZD", "CR", "TVS") and nets_of(part) <= 3
        return _diode(reading, part) if diode else None
    pins = {pin: part.pins[number] for number, pin in entry.pins.items() if number in part.pins}
    for pin, number in entry.beyond_inductor.items():
        net = _beyond_inductor(reading, part.pins.get(number, ""))
        if net:
            pins[pin] = net
    table: dict[str, Any] = {"kind": entry.kind, "pins": pins, **_trimmed(entry, pins)}
    note = f"book: {entry.name}"
    fill = _volts(table, part, entry)
    if fill:
        return _left(part, fill)
    said = [note, table.pop("_note", ""), _left_out(reading, part, entry)]
    return PartLine(part.name, table, "; ".join(filter(None, said)))


def _left_out(reading: Reading, part: DrawnPart, entry: Entry) -> str:
    """Pins that the model does without, where the drawing has something else on their nets (a charger's STAT)."""
    elsewhere = {net for other in reading.design.parts.values() if other is not part for net in other.pins.values()}
    drawn = [(number, part.pins[number]) for number in entry.unused if number in part.pins]
    named = [f"pin {number} ({net})" for number, net in drawn if net in elsewhere and net != reading.ground]
    return f"its model has no {', '.join(named)}: what is on it is as if open" if named else ""


def _trimmed(entry: Entry, pins: Mapping[str, str]) -> dict[str, object]:
    """The entry's values, without those of pins that are not connected."""
    table: dict[str, object] = {}
    for key, value in entry.table.items():
        nested = key in ("io", "supply") and isinstance(value, dict)
        table[key] = {pin: row for pin, row in value.items() if pin in pins} if nested else value
    return table


def _beyond_inductor(reading: Reading, net: str) -> str:
    for other in reading.design.parts.values():
        if split(other.name)[0] == "L" and net in other.pins.values():
            return next((each for each in other.pins.values() if each != net), "")
    return ""


def _volts(table: dict[str, Any], part: DrawnPart, entry: Entry) -> str:
    """Fill in the voltage that a regulator or a supervisor is made for; what a person has to say where nobody does."""
    key = {"ldo": "volts", "buck": "volts", "boost": "volts", "supervisor": "threshold"}.get(entry.kind)
    mark = _marked("", part)
    if entry.kind == "charger" and mark.amps and "current" not in table:
        table["current"] = show(mark.amps, "A")
    if entry.kind in ("ldo", "buck", "boost", "load_switch") and mark.amps:
        table.setdefault("max", {"current": show(mark.amps, "A")})
    if key is None or key in table:
        return ""
    out = table["pins"].get("OUT", "")
    named = volts_of(out) if entry.kind != "supervisor" else None
    told = _told_volts(part)
    if entry.kind == "supervisor":
        watched = volts_of(table["pins"].get("VDD", "")) or 99.0
        told = [volts for volts in told if volts < watched]
    if entry.kind != "supervisor" and "OUT" not in table["pins"]:
        return f"a model for {_short(part.value or part.number)}: its output net was not found"
    if named is not None and (named in told or not told):
        table[key] = show(named, "V")
        table["_note"] = "" if named in told else f"its volts by the name of {out}"
        return ""
    if told:
        table[key] = show(told[0], "V")
        table["_note"] = f"CAUTION: {out} is named for {show(named, 'V')}" if named is not None else ""
        return ""
    return f"{key} of this {entry.kind} ({_short(part.value or part.number)})"


def _told_volts(part: DrawnPart) -> list[float]:
    """Every voltage in the part's text, those of the part number's suffix first."""
    found = []
    for text in map(tidy, (part.value, part.number)):
        match = re.search(
            r"[-_]([0-9])[.V]([0-9]{1,2})(?:V|[A-Z-]*$)|(?<![0-9A-Z])([0-9])V([0-9]{1,2})(?![0-9])", text, re.I
        )
        if match:
            found.append(float(f"{match[1] or match[3]}.{match[2] or match[4]}"))
    for text in map(tidy, (part.value, part.description)):
        found += [float(m) for m in re.findall(r"(?<![0-9A-Za-z.])([0-9]+(?:\.[0-9]+)?)\s*V(?![A-Za-z0-9])", text)]
    return list(dict.fromkeys(found))
