"""Supplies, rails, lines and points that a drawing suggests, in the order of certainty.

    proposal = proposed(design, lines, ground, guide)

What names and pulls say plainly is proposed as it stands; what is only likely, as a comment to be uncommented; a
voltage that nothing states is never made up. Every proposal says where it comes from.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from wakeboard.harness.drawings.design import Design, Pad, pads_of
from wakeboard.harness.drawings.netnames import (
    function_of,
    is_cell,
    is_entry,
    is_ground,
    is_rail,
    is_usb,
    volts_of,
)
from wakeboard.harness.drawings.parts.kinds import PartLine
from wakeboard.harness.drawings.parts.telling import is_test_point
from wakeboard.harness.drawings.places.geometry import Guide
from wakeboard.harness.drawings.references import split
from wakeboard.instruments.quantity import parse, show

_REGULATORS: Final = ("ldo", "buck", "boost", "load_switch")
_LEVELS: Final = ((3.3, "lvcmos-3v3"), (2.5, "lvcmos-2v5"), (1.8, "lvcmos-1v8"), (5.0, "74hc"))
_CERTAIN: Final = ("reset", "strap", "enable", "select", "protect", "interrupt", "i2c")
_USB_RANGE: Final = "4.40 .. 5.25 V"
LEAST_VOLTS: Final = "1 V"
"""Stands where a board needs a supply and nothing says its voltage: a power-on with it harms nothing."""


@dataclass
class Row:
    """One table of the board file to be; `active`: as it stands, else as a comment."""

    name: str
    table: dict[str, Any]
    origin: str
    active: bool = True
    fill: str = ""


@dataclass
class Proposal:
    """The rows of each table, in the order of certainty."""

    supplies: list[Row] = field(default_factory=list)
    rails: list[Row] = field(default_factory=list)
    lines: list[Row] = field(default_factory=list)
    points: list[Row] = field(default_factory=list)


_HOLDER: Final = re.compile(
    r"\bCR ?[0-9]{4}|coin cell|battery|cell holder|knopfzelle|batterie|pile bouton", re.IGNORECASE
)
_INLET: Final = re.compile(r"dc.?jack|dc.?socket|barrel|power (?:jack|inlet|input|in)\b|hohlstecker", re.IGNORECASE)
_LEADS_IN: Final = {"fuse", "ptc", "diode", "schottky", "ideal_diode", "mosfet"}
_AT_ENTRY: Final = {*_LEADS_IN, "zener", "capacitor", "unmodelled"}
"""Kinds on a net that power enters on, before the part that leads it in; common practice, no source."""
_DROPS: Final = ("diode", "schottky")
DROP: Final = 0.7
"""V that a diode between a source and a rail may take; common practice, no source."""
_COIN_RANGE: Final = "2.0 .. 3.3 V"  # a lithium manganese coin cell, empty and fresh; common practice, no source


@dataclass
class _Looking:
    """What the proposals are made from."""

    design: Design
    parts: Mapping[str, PartLine]
    ground: str
    guide: Guide
    nets: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    taken: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for part in self.parts.values():
            if part.fitted:
                for pin, net in part.table["pins"].items():
                    self.nets.setdefault(net, []).append((part.name, pin))

    def name(self, wanted: str, net: str) -> str:
        """A name for a table: short, only what a file allows, no other net's, one name for one net."""
        plain = re.sub(r"[^A-Za-z0-9_]+", "_", wanted).strip("_") or "NET"
        while (plain in self.taken and self.taken[plain] != net) or (plain in self.nets and plain != net):
            plain += "_"
        self.taken[plain] = net
        return plain

    def on(self, net: str, *kinds: str) -> list[PartLine]:
        names = dict.fromkeys(part for part, _ in self.nets.get(net, ()))
        return [self.parts[name] for name in names if not kinds or self.parts[name].kind in kinds]


def proposed(design: Design, parts: Mapping[str, PartLine], ground: str, guide: Guide) -> Proposal:
    """Everything that the drawing suggests."""
    looking = _Looking(design, parts, ground, guide)
    proposal = Proposal()
    proposal.supplies = _supplies(looking)
    proposal.rails = _rails(looking, proposal.supplies)
    proposal.lines = _lines(looking, proposal.rails)
    proposal.points = _points(looking, proposal)
    return proposal


# --- supplies -------------------------------------------------------------------------------------------------------
def _supplies(looking: _Looking) -> list[Row]:
    rows = [Row(looking.name(name, net), {"net": net, "volts": f"{show(volts, 'V')} ± 5 %"}, "a source of the netlist")
            for name, (net, volts) in looking.design.supplies.items() if net in looking.nets]  # fmt: skip
    named = {row.table["net"] for row in rows}
    candidates = [net for net in looking.nets if net not in named and is_rail(net) and looking.on(net, "connector")]
    fed = {part.table["pins"].get("OUT") for part in looking.parts.values() if part.kind in _REGULATORS}
    certain = [n for n in candidates if is_usb(n) or is_cell(n) or is_entry(n) or _cell_on(looking, n)]
    certain += [net for net in candidates if net not in certain and _comes_in(looking, net)]
    rows += [_supply(looking, net) for net in certain if net not in fed]
    likely = [net for net in candidates if net not in certain and net not in fed and (volts_of(net) or 0) > 0]
    sure = not any(row.active for row in rows)
    first = _upstream(looking, likely)
    rows += [
        _supply(looking, net, sure=sure and net in first)
        for net in sorted(likely, key=lambda net: (net not in first, -(volts_of(net) or 0)))
    ]
    if not any(row.active for row in rows):
        _last_resort(looking, rows)
    return sorted(rows, key=lambda row: not row.active)


def _text(looking: _Looking, name: str) -> str:
    part = looking.design.parts.get(name)
    return part.text if part else ""


def _cell_on(looking: _Looking, net: str) -> str:
    """The holder of a cell on a net, by its letters or by what the list calls it; "" where none is."""
    names = [part.name for part in looking.on(net, "connector")]
    return next((n for n in names if split(n)[0] in ("BT", "BAT") or _HOLDER.search(_text(looking, n))), "")


def _comes_in(looking: _Looking, net: str) -> bool:
    """Whether a connector with a ground has a net that nothing but a fuse or a diode leads away from, or is said to be
    where power enters."""
    for part in looking.on(net, "connector"):
        if looking.ground not in part.nets:
            continue
        others = {other.kind for other in looking.on(net) if other.name != part.name}
        alone = len(set(part.nets)) == 2 and others <= _AT_ENTRY and bool(others & _LEADS_IN)
        if alone or _INLET.search(_text(looking, part.name)):
            return True
    return False


def _upstream(looking: _Looking, nets: Iterable[str]) -> list[str]:
    """Of nets that a fuse, a diode or a transistor joins, the one with the fewest parts: power comes in there first."""
    found: list[str] = []
    for net in sorted(nets, key=lambda net: len(looking.nets[net])):
        if not _through(looking, net, found, depth=4):
            found.append(net)
    return found


def _supply(looking: _Looking, net: str, *, sure: bool = True) -> Row:
    connector = looking.on(net, "connector")[0].name
    place = looking.guide.part(connector)
    table: dict[str, object] = {"net": net}
    volts, usb = volts_of(net), is_usb(net)
    if usb:
        table |= {"kind": "usb", "volts": "5 V", "range": _USB_RANGE, "budget": "500 mA"}
    elif _cell_on(looking, net):
        coin = "CR" in _text(looking, _cell_on(looking, net)).upper()
        table |= {"kind": "cell", "volts": "3 V" if coin else "", "may_take": "0 mA"}
        table |= {"range": _COIN_RANGE} if coin else {}
    elif volts:
        table["volts"] = f"{show(volts, 'V')} ± 5 %"
    elif is_cell(net):
        table |= {"kind": "cell", "volts": "", "may_take": "0 mA"}
    else:
        table["volts"] = ""
    table["place"] = ", ".join(filter(None, [place, f"connector {connector}"]))
    origin = f"{net} is on {connector}"
    origin += "; USB by its name" if usb else "; its voltage by its name, ± 5 % taken" if volts else ""
    known = bool(table["volts"])
    fill = "" if known else f"volts of {net}"
    if not sure:
        origin += "; more likely a rail that goes out there"
    name = "USB" if usb else "CELL" if is_cell(net) or _cell_on(looking, net) else net
    return Row(looking.name(name, net), table, origin, sure and known and (volts is None or volts > 0), fill)


def _last_resort(looking: _Looking, rows: list[Row]) -> None:
    """A board needs a supply: the likeliest, at a voltage that harms nothing, until a person says which."""
    if rows:
        row = rows[0]
        row.active, row.fill = True, row.fill or f"volts of {row.table['net']}"
        row.table["volts"] = row.table["volts"] or LEAST_VOLTS
        if row.table["volts"] == LEAST_VOLTS:
            row.origin += f"; nothing says its voltage: {LEAST_VOLTS} stands here so that nothing is harmed"
        return
    rails = [net for net in looking.nets if is_rail(net)] or [net for net in looking.nets if not is_ground(net)]
    best = max(
        rails, key=lambda net: (is_usb(net), is_entry(net), volts_of(net) or 0.0, len(looking.nets[net])), default=""
    )
    for net in filter(None, [best]):
        table: dict[str, object] = {"net": net, "volts": LEAST_VOLTS}
        origin = f"no connector with a net named like a supply; {LEAST_VOLTS} stands here so that nothing is harmed"
        rows.append(Row(looking.name("IN", net), table, origin, True, "which net power enters on, and its volts"))


# --- rails ----------------------------------------------------------------------------------------------------------
def _rails(looking: _Looking, supplies: list[Row]) -> list[Row]:
    taken = {row.table["net"] for row in supplies if row.active or row.fill}
    entries = {row.table["net"]: row.name for row in supplies if row.active}
    feeds = {part.table["pins"].get("OUT"): part for part in looking.parts.values() if part.kind in _REGULATORS}
    nets = [net for net in looking.nets if net not in taken and (is_rail(net) or net in feeds) and not is_ground(net)]
    nets = [net for net in nets if net != looking.ground and (volts_of(net) or 1) > 0 and len(looking.nets[net]) > 1]
    names = {net: looking.name(_short_rail(net), net) for net in nets}
    rows = [_rail(looking, net, names, entries, feeds.get(net)) for net in nets]
    _break_rings(rows, entries)
    return sorted(rows, key=lambda row: bool(row.fill))


def _short_rail(net: str) -> str:
    """+3V3 becomes V33, +1V8_RF V18_RF: a name beside the net's own."""
    volts = volts_of(net)
    match = re.fullmatch(r"\+?([0-9]+)V([0-9])((?:_[A-Za-z0-9_]+)?)", net)
    return f"V{match[1]}{match[2]}{match[3]}" if volts and match else net


def _rail(
    looking: _Looking, net: str, names: Mapping[str, str], entries: Mapping[str, str], feeder: PartLine | None
) -> Row:
    table: dict[str, object] = {"net": net}
    origin, fill = f"{net} is named like a rail", ""
    if feeder is not None:
        source = feeder.table["pins"].get("IN", "")
        table["from"] = entries.get(source) or names.get(source) or source
        origin = f"the output of {feeder.name} ({feeder.kind})"
        volts = feeder.table.get("volts")
        if volts:
            table["volts"] = f"{show(parse(str(volts).split('±')[0].strip(), 'V'), 'V')} ± 4 %"
    else:
        through = _not_after(looking, net, _through(looking, net, {*names, *entries}), entries)
        table["from"] = [entries.get(n) or names[n] for n in through] or list(entries.values())
        if through:
            origin += f"; fed through {', '.join(_between(looking, net, through))}"
        else:
            fill = f"what feeds {net}"
    named = volts_of(net)
    if "volts" not in table and named:
        table["volts"] = f"{show(named, 'V')} ± 5 %"
        origin += "; its voltage by its name, ± 5 % taken"
        if feeder is None and any(looking.parts[n].kind in _DROPS for n in _between(looking, net, through)):
            table["range"] = f"{show(0.95 * named - DROP, 'V')} .. {show(1.05 * named, 'V')}"
            origin += f", {show(DROP, 'V')} for the diode"
    if isinstance(table["from"], list) and len(table["from"]) == 1:
        table["from"] = table["from"][0]
    switch = _switched_by(looking, feeder) if feeder is not None else ""
    if switch:
        table["on_when"] = {switch: "high"}
        origin += f"; {switch} switches it"
    return Row(names[net], table, origin, bool(table["from"]), fill)


def _switched_by(looking: _Looking, feeder: PartLine) -> str:
    """The pin that switches a regulator on: of the one chip on its enable, where a resistor holds that off."""
    enable = feeder.table["pins"].get("EN", "")
    if not enable or is_rail(enable) or is_ground(enable) or not _pulls(looking, enable, {looking.ground: None}):
        return ""
    drivers = [(name, pin) for name, pin in looking.nets[enable] if looking.parts[name].kind in ("chip", "unmodelled")]
    return f"{drivers[0][0]}.{drivers[0][1]}" if len(drivers) == 1 else ""


_SERIES: Final = ("diode", "schottky", "ideal_diode", "fuse", "ptc", "inductor", "mosfet", "resistor", "switch")


def _through(looking: _Looking, net: str, known: Iterable[str], depth: int = 2) -> list[str]:
    """Rails and supplies that feed a net through what lies in series: diodes, fuses, beads, transistors, links."""
    wanted, found = set(known) - {net}, []
    edge, seen = [net], {net}
    for _ in range(depth):
        nxt = []
        for here in edge:
            for part in looking.on(here, *_SERIES):
                for there in _towards(part, here):
                    if there in wanted and there not in found:
                        found.append(there)
                    elif there not in seen and not is_ground(there):
                        nxt.append(there)
                        seen.add(there)
        if found:
            break
        edge = nxt
    return found


def _towards(part: PartLine, net: str) -> list[str]:
    """Nets that this part may feed `net` from."""
    pins = part.table["pins"]
    if part.kind in ("diode", "schottky", "ideal_diode"):
        return [pins["A"]] if pins.get("K") == net else []
    if part.kind == "mosfet":
        return [pins["D" if pins["S"] == net else "S"]] if net in (pins["S"], pins["D"]) else []
    if part.kind == "resistor" and parse(part.table["value"], "Ω") > 10:
        return []
    return [other for other in pins.values() if other != net]


def _not_after(looking: _Looking, net: str, sources: list[str], entries: Iterable[str]) -> list[str]:
    """Of nets that a fuse or a bead joins, those that are fed without this one: the others come after it."""
    reached = set(edge := list(entries))
    while edge:
        for there in _beyond(looking, edge.pop()):
            if there not in reached and there != net and not is_ground(there):
                reached.add(there)
                edge.append(there)
    return [each for each in sources if each in reached] or sources


def _beyond(looking: _Looking, net: str) -> Iterator[str]:
    """Nets that are fed from this one through one part."""
    for part in looking.on(net, *_SERIES):
        yield from (there for there in part.nets if there != net and net in _towards(part, there))
    yield from (part.table["pins"].get("OUT", net) for part in looking.on(net, *_REGULATORS)
                if part.table["pins"].get("IN") == net)  # fmt: skip


def _between(looking: _Looking, net: str, sources: list[str]) -> list[str]:
    direct = [part.name for part in looking.on(net, *_SERIES) if set(_towards(part, net)) & set(sources)]
    return direct or [part.name for part in looking.on(net, *_SERIES)][:3]


def _break_rings(rows: list[Row], entries: Mapping[str, str]) -> None:
    """Every rail's chain must end at a supply: one that does not is said to come from the supplies."""
    by_name = {row.name: row for row in rows}
    supplies = set(entries.values())

    def ends(name: str, seen: frozenset[str]) -> bool:
        if name in supplies:
            return True
        row = by_name.get(name) or next((each for each in rows if each.table["net"] == name), None)
        if row is None or row.name in seen:
            return False
        source = row.table["from"]
        return any(ends(each, seen | {row.name}) for each in ([source] if isinstance(source, str) else source))

    for row in rows:
        source = row.table["from"]
        if not ends(row.name, frozenset()):
            row.table["from"] = next(iter(supplies)) if len(supplies) == 1 else sorted(supplies)
            row.fill = row.fill or f"what feeds {row.table['net']} (the drawing says {source or 'nothing'})"
            row.active = bool(supplies)


# --- lines ----------------------------------------------------------------------------------------------------------
def _lines(looking: _Looking, rails: list[Row]) -> list[Row]:
    known = {row.table["net"]: row for row in rails}
    rows = []
    for net in looking.nets:
        if net == looking.ground or is_rail(net) or is_ground(net):
            continue
        row = _line(looking, net, known)
        if row is not None:
            rows.append(row)
    return sorted(rows, key=lambda row: not row.active)


def _line(looking: _Looking, net: str, rails: Mapping[str, Row]) -> Row | None:
    function, up, down = function_of(net), _pulls(looking, net, rails), _pulls(looking, net, {looking.ground: None})
    if not function and not (bool(up) != bool(down) and len(looking.nets[net]) > 2):
        return None
    rail = _rail_of(looking, net, up, rails)
    told = _told_levels(looking, net)
    if up and not told and rail is not None and "volts" in rail.table and not _standard(rail):
        return None  # an enable on its regulator's own input: no level standard holds at that rail
    table: dict[str, object] = {"net": net, "levels": told or _levels(function, rail)}
    if rail is not None and rail.active:
        table["rail"] = rail.name
    if function == "i2c":
        table["bus"] = "i2c"
    if up and rail is not None and "on_when" in rail.table:
        table["needs"] = [rail.name]
    supervisor = looking.on(net, "supervisor")
    switching = [pin for row in rails.values() for pin in row.table.get("on_when", {})]
    driver = [f"{part}.{pin}" for part, pin in looking.nets[net] if f"{part}.{pin}" in switching]
    if driver or supervisor:
        table["driven_by"] = driver[0] if driver else f"{supervisor[0].name}.OUT"
    level = "high" if (up or supervisor) and not down else "low" if down and not up else ""
    if level:
        table["when"] = {"boot": level}
    pulls = " and ".join([*(f"{name} pulls it up" for name in up), *(f"{name} pulls it down" for name in down)])
    origin = "; ".join(filter(None, [f"named like a line: {function}" if function else "", pulls]))
    origin += "; thresholds by the chip's own file" if told else ""
    active = bool(level) and function in _CERTAIN and rail is not None and rail.active and "volts" in rail.table
    fill = "" if level else "when = { boot = … }: its level after power-on"
    return Row(looking.name(net, net), table, origin, active, fill)


def _pulls(looking: _Looking, net: str, to: Mapping[str, object]) -> list[str]:
    """Resistors of a pull's size from a net to one of those."""
    found = []
    for part in looking.on(net, "resistor"):
        other = [each for each in part.nets if each != net]
        if other and other[0] in to and 300 <= parse(part.table["value"], "Ω") <= 5e6:
            found.append(part.name)
    return found


def _rail_of(looking: _Looking, net: str, up: list[str], rails: Mapping[str, Row]) -> Row | None:
    for name in up:
        found = next((rails[each] for each in looking.parts[name].nets if each in rails), None)
        if found is not None:
            return found
    logic = [row for row in rails.values() if row.active and _standard(row)]
    return max(logic, key=lambda row: len(looking.nets.get(row.table["net"], ())), default=None)


def _standard(rail: Row | None) -> str:
    volts = volts_of(rail.table["net"]) if rail else None
    if rail is not None and volts is None and rail.table.get("volts"):
        volts = parse(str(rail.table["volts"]).split("±")[0].strip(), "V")
    return next((name for level, name in _LEVELS if volts is not None and abs(volts - level) < 0.06 * level), "")


def _told_levels(looking: _Looking, net: str) -> dict[str, str]:
    """Thresholds that the file of a chip on the net states: the strictest of all."""
    found = [part.thresholds[net] for part in looking.design.parts.values() if net in part.thresholds]
    if not found or min(high for _, high in found) <= max(low for low, _ in found):
        return {}
    low, high = min(low for low, _ in found), max(high for _, high in found)
    return {"low": f"< {show(low, 'V')}", "high": f"> {show(high, 'V')}"}


def _levels(function: str, rail: Row | None) -> str:
    return "i2c" if function == "i2c" and rail is not None else _standard(rail) or "lvcmos-3v3"


# --- points ---------------------------------------------------------------------------------------------------------
def _points(looking: _Looking, proposal: Proposal) -> list[Row]:
    rows, reached = [], set()
    for part in looking.design.parts.values():
        nets = list(dict.fromkeys(part.pins.values()))
        if is_test_point(part):
            on_a_part = nets[0] in looking.nets
            origin = f"{part.said.get('pins', '')}" + ("" if on_a_part else "; no part is on this net")
            rows.append(_point(looking, part.name, nets[0], looking.guide.part(part.name), origin, on_a_part))
            reached.add(nets[0])
    pads = pads_of(looking.design)
    for row in (row for table in (proposal.supplies, proposal.rails, proposal.lines) for row in table if row.active):
        if row.table["net"] not in reached and row.table["net"] in looking.nets:
            reached.add(row.table["net"])
            rows.append(_reachable(looking, row.table["net"], pads))
    return rows


def _point(looking: _Looking, name: str, net: str, place: str, origin: str, active: bool = True) -> Row:
    table = {"net": net, **({"place": place} if place else {})}
    return Row(looking.name(name, net), table, origin, active)


def _reachable(looking: _Looking, net: str, pads: Mapping[str, list[Pad]]) -> Row:
    """A pad where a probe gets to a net without a test point: of a connector, else the largest of a two-pin part."""
    offers = [
        (_handiness(looking.parts[part], pad), part, pin, pad)
        for part, pin in looking.nets[net]
        for pad in [*(p for p in pads.get(part, ()) if p.net == net), None][:1]
    ]
    _, part, pin, pad = max(offers, key=lambda offer: offer[0])
    number = pad.pin if pad is not None else pin
    place = ", ".join(filter(None, [looking.guide.pad(pad) if pad else "", f"pin {number} of {part}"]))
    return _point(looking, f"{part}_{number}", net, place, f"no test point on {net}: the handiest pad")


def _handiness(part: PartLine, pad: Pad | None) -> tuple[int, float]:
    rank = 3 if part.kind == "connector" else 2 if len(part.nets) == 2 else 1
    return rank, (pad.width * pad.height if pad else 0.0)
