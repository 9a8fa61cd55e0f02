"""What is not known of a circuit's parts: stated tolerances, and by `sequences/spreads.toml` what a drawing leaves out.

    unknowns(circuit, adjacent)     every one with its standard deviation, and what like parts share of it

An unknown is a value of a part that may be another (a forward voltage, a supply current), or what flows between two
pins beside what is drawn (a leakage): a `Stray`, whose current depends on the voltage between its ends. A part that
states a range narrows it: the range takes the place of the table's spread.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

from wakeboard.instruments.quantity import parse
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.circuit.bench.unknowns import Stray, Unknown
from wakeboard.instruments.virtual.circuit.parts import kind_of
from wakeboard.instruments.virtual.circuit.parts.chip import DEFAULT_OHMS
from wakeboard.instruments.virtual.circuit.tolerance import nominal


@cache
def table() -> Mapping[str, Any]:
    """The packaged spreads as spreads.toml has them."""
    return tomllib.loads(resources.files("wakeboard.sequences").joinpath("spreads.toml").read_text(encoding="utf-8"))


def unknowns(circuit: Circuit, adjacent: Iterable[tuple[str, str]] = (), reworked: Iterable[str] = ()) -> list[Unknown]:
    """Every unknown of a circuit's parts, but of those that were reworked; strays between nets last."""
    skipped = set(reworked)
    out: list[Unknown] = []
    for part in circuit.parts:
        if part.name not in skipped and not kind_of(part).bench:
            out += _of_part(part)
    undescribed = _undescribed(circuit, [part for part in circuit.parts if part.name not in skipped])
    return [*out, *undescribed, *_between_nets(circuit, adjacent)]


def centres(circuit: Circuit, reworked: Iterable[str] = ()) -> dict[str, float]:
    """Values that a drawing never has, and about which parts lie: "PART.value" -> SI. The model of a real board has
    them."""
    skipped = set(reworked)
    return {
        f"{part.name}.{path}": float(entry["centre"])
        for part in circuit.parts
        if part.name not in skipped
        for name, entry in _entries(part.kind).items()
        if "centre" in entry
        for _, path in _places(part, name, entry)
    }


@dataclass(frozen=True, slots=True)
class Lacking:
    """Something drawn that a type of part may not have: the value that is then 0 ("PART.value"), how likely that is."""

    path: str
    says: str
    chance: float


def lacking(circuit: Circuit, reworked: Iterable[str] = ()) -> list[Lacking]:
    """What parts may not have of what is drawn, where the board file does not say. Diodes between a pin and a rail on
    one net are nothing."""
    skipped = set(reworked)
    return [
        Lacking(f"{part.name}.{path}", str(entry["says"]), float(entry["absent"]))
        for part in circuit.parts
        if part.name not in skipped
        for name, entry in _entries(part.kind).items()
        if "absent" in entry
        for pin, path in _places(part, name, entry)
        if part.values["io"][pin].get("clamp") is None and part.pins.get(pin) != _end(part, pin, "{rail}")
    ]


def _of_part(part: Part) -> Iterator[Unknown]:
    """Of one part: what it states, and what its kind leaves open beside that."""
    made = part_type(part)
    seen: set[str] = set()
    for name, entry in _entries(part.kind).items():
        for pin, path in _places(part, name, entry):
            seen.add(path)
            if "absent" in entry:
                continue
            found = _stray(part, made, name, pin, path, entry) if "from" in entry else _value(part, made, path, entry)
            if found is not None:
                yield found
    for path, relative in part.tolerance.items():
        if not (part.kind == "capacitor" and path == "value"):  # at rest its leakage alone shows
            yield Unknown(
                f"{part.name}.{path}", path, relative / math.sqrt(3), type_share=float(table()["stated"]["type"]),
                type=f"{made}.{path} stated", drawn=nominal(part, path), stated=True,
            )  # fmt: skip
    for path, (low, high) in part.bounds.items():
        found = _ranged(part, made, path, low, high, path, float(table()["stated"]["type"]))
        if path not in seen and found is not None:
            yield found


def without_tolerance(circuit: Circuit) -> list[str]:
    """Parts that state none of what they are or set, in the circuit's order."""
    return [
        part.name for part in circuit.parts
        if _entries(part.kind).get(main := kind_of(part).main or "", {}).get("unstated")
        and main not in part.tolerance and main not in part.bounds and _drawn(part, main)
    ]  # fmt: skip


def _entries(kind: str) -> Mapping[str, Any]:
    """What is not known of a kind: of one that is like another what that has, and its own."""
    own = table().get(kind, {})
    like = table()[own["like"]] if "like" in own else {}
    return {**like, **{name: entry for name, entry in own.items() if isinstance(entry, dict)}}


def part_type(part: Part) -> str:
    """What like parts have in common: kind, values, tolerances; a chip is its own type, with its pins."""
    values = sorted((k, str(v)) for k, v in part.values.items())
    return f"{part.kind}{values}{sorted(part.tolerance.items())}{sorted(part.bounds.items())}"


def _places(part: Part, name: str, entry: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """(pin, path) of each place of a part where an entry of the table applies."""
    each = entry.get("each")
    if each is None:
        yield "", name
        return
    if each == "pins":
        yield from ((pin, f"{pin}.{name}") for pin in part.pins if pin not in (part.ground_pin, "VCC"))
        return
    for pin in part.values.get(each, {}):
        yield pin, f"{pin}.{name}"


def _value(part: Part, made: str, path: str, entry: Mapping[str, Any]) -> Unknown | None:
    drawn = float(entry.get("centre", 0.0)) or _drawn(part, path)
    if (
        not drawn
        or (entry.get("unstated") and path in part.tolerance)
        or (path.endswith(".ohms") and _never_drives(part, path))
    ):
        return None
    type_share, says = float(entry["type"]), str(entry["says"])
    if path in part.bounds:
        return _ranged(part, made, path, *part.bounds[path], says, type_share)
    log = "factor" in entry
    wide = entry["factor" if log else "sd"]
    wide = wide if _says(part, path) else entry.get("undrawn", wide)
    spread = math.log(float(wide)) if log else _in_unit(part, path, wide) / abs(drawn)
    key = str(entry.get("key", ""))
    return Unknown(
        f"{part.name}.{path}",
        says,
        spread,
        log,
        type_share,
        f"{made}.{path}",
        key=key,
        drawn=drawn,
        tails=_tails(entry),
        anywhere="centre" in entry,
    )


def _never_drives(part: Part, path: str) -> bool:
    entry = part.values.get("io", {}).get(path.partition(".")[0])
    return entry is not None and entry.get("type") in ("input", "analog")


def _ranged(part: Part, made: str, path: str, low: float, high: float, says: str, type_share: float) -> Unknown | None:
    middle = 0.5 * (low + high)
    if not middle:
        return None
    share = (high - low) / math.sqrt(12) / abs(middle)
    return Unknown(
        f"{part.name}.{path}", says, share, False, type_share, f"{made}.{path}", key=path, drawn=middle, stated=True
    )


def _drawn(part: Part, path: str) -> float:
    """The drawn value, the kind's default where the part says nothing; 0 where there is none."""
    head, dot, tail = path.partition(".")
    if dot:
        for group in ("io", "supply"):
            found = part.values.get(group, {}).get(head, {})
            if tail in found:
                return float(found[tail]) if isinstance(found[tail], int | float) else 0.0
        return DEFAULT_OHMS if tail == "ohms" else 0.0
    if path in part.values and isinstance(part.values[path], int | float):
        return nominal(part, path)
    quantity = kind_of(part).values.get(path)
    default = quantity.default if quantity is not None else None
    return float(default) if isinstance(default, int | float) else 0.0


def _says(part: Part, path: str) -> bool:
    """Whether the drawing has the value at all, or the kind's default stands for it."""
    head, dot, tail = path.partition(".")
    tables = [part.values.get(group, {}).get(head, {}) for group in ("io", "supply")] if dot else [part.values]
    return any((tail if dot else path) in each for each in tables)


def _in_unit(part: Part, path: str, text: str) -> float:
    return parse(text, kind_of(part).values[path].unit)


def _stray(part: Part, made: str, name: str, pin: str, path: str, entry: Mapping[str, Any]) -> Unknown | None:
    ends = [_end(part, pin, str(entry[word])) for word in ("from", "to")]
    stated = f"{pin}.leak" if pin else "leak"
    narrowed = part.bounds.get(stated) if entry.get("key") == "leak" else None
    drawn = entry.get("key") == "leak" and narrowed is None and bool(_drawn(part, stated))
    if None in ends or ends[0] == ends[1] or drawn:
        return None
    size = _size(entry, narrowed)
    if not size:
        return None
    stray = Stray(str(ends[0]), str(ends[1]), entry["as"], size)
    return Unknown(
        f"{part.name}.{path}", str(entry["says"]), 0.0, False, float(entry["type"]), f"{made}.{path}", stray,
        str(entry.get("key", "")), tails=() if narrowed else _tails(entry),
    )  # fmt: skip


def _tails(entry: Mapping[str, Any]) -> tuple[tuple[float, float], ...]:
    """How many times as wide as the table an unknown may be, and with which probability."""
    return tuple((float(times), float(chance)) for times, chance in entry.get("tails", table()["model"]["tails"]))


RATED: Final = 3.3
"""V at which a stated leakage counts as a conductance."""


def _size(entry: Mapping[str, Any], narrowed: tuple[float, float] | None) -> float:
    """S or A at one standard deviation: what the table has, or of the range that the part states (its middle is
    drawn)."""
    if narrowed is not None:
        half = 0.5 * (narrowed[1] - narrowed[0]) / math.sqrt(3)
        return half / RATED if "siemens" in entry else half
    if "share" in entry:
        return float(entry["share"])
    return parse(entry["siemens"], "S") if "siemens" in entry else parse(entry["amps"], "A")


def _end(part: Part, pin: str, text: str) -> str | None:
    """The net of one end of a stray; None where the part has no such pin."""
    if text == "{pin}":
        return part.pins.get(pin)
    if text == "{rail}":
        from wakeboard.instruments.virtual.circuit.faults.effects import rail_pin

        return part.pins.get(rail_pin(part, pin))
    return part.pins.get((part.ground_pin or text) if text == "GND" else text)


def _undescribed(circuit: Circuit, parts: Iterable[Part]) -> Iterator[Unknown]:
    """What pins may do that nobody has described: those of parts without a model, and of chips that no table of theirs
    has."""
    told = table()["undescribed"]
    rails = {part.pins["OUT"] for part in circuit.parts if part.kind in told["rails_of"]}
    for part in parts:
        nets = dict.fromkeys(part.pins[pin] for pin in part.undescribed if part.pins[pin] != circuit.ground)
        feeds = [net for net in dict.fromkeys(part.pins.values()) if net in rails]
        for name, entry in told.items():
            if not isinstance(entry, dict):
                continue
            for net in (n for n in nets if (n in rails) is (entry["of"] == "rails")):
                ends = {"{net}": net, "{ground}": circuit.ground, "{rail}": feeds[0] if feeds else None}
                start, end = ends[entry["from"]], ends[entry["to"]]
                if start is None or end is None:
                    continue
                path = f"{part.name}.{net} {name}"
                stray = Stray(start, end, entry["as"], _size(entry, None))
                yield Unknown(
                    path, str(entry["says"]), type_share=float(entry["type"]), type=path, stray=stray, anywhere=True,
                    tails=_tails(entry),
                )  # fmt: skip


def _between_nets(circuit: Circuit, adjacent: Iterable[tuple[str, str]]) -> Iterator[Unknown]:
    """Residue of flux: between neighbours, between a part's pads, and from each net to ground."""
    nets = table()["nets"]
    ground = circuit.ground

    def ordered(one: str, other: str) -> tuple[str, str]:
        """By name, ground last."""
        return (other, one) if (one == ground, one) > (other == ground, other) else (one, other)

    near = {ordered(*pair) for pair in (*adjacent, *_pads(circuit, nets["adjacent"]))}
    far = {(net, ground) for net in circuit.nets if net != ground} - near
    entries = [(*pair, nets["adjacent"]) for pair in sorted(near)] + [(*pair, nets["ground"]) for pair in sorted(far)]
    for first, second, entry in entries:
        stray = Stray(first, second, entry["as"], parse(entry["siemens"], "S"))
        name = f"{first}+{second}"
        yield Unknown(
            name, str(entry["says"]), type_share=float(entry["type"]), type=name, stray=stray, tails=_tails(entry)
        )


def _pads(circuit: Circuit, entry: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """The nets of pads that lie side by side: of each part any two of three, of more those that its pins follow each
    other in."""
    least = parse(entry["pads_above"], "Ω")
    for part in circuit.parts:
        conducts = part.kind == "resistor" and nominal(part, "value") < least
        if conducts or part.kind in entry["pads_not_of"] or kind_of(part).bench:
            continue
        nets = list(part.pins.values())
        pairs = itertools.combinations(nets, 2) if len(nets) <= 3 else itertools.pairwise(nets)
        yield from ((one, other) for one, other in pairs if one != other)
