"""The table [parts] against the circuit's part kinds: text becomes SI floats, every mistake a problem.

A part is written as one table: `kind`, `pins` (a table pin = net, or a list in the kind's order), the values of its
kind, `tolerance` of its main value, `max` (absolute maximum voltage, current, power). Besides what the circuit needs it
may say `place`, `says`, and `variants`: other values that the same part comes in and that could be fitted by mistake.
Which pins and values a kind has is asked of the circuit's registry, so that a new kind needs no change here.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from wakeboard.harness.describe.problems import nearest, one_of, quoted
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.describe.toml.positions import Path
from wakeboard.instruments.quantity import QuantityError, parse, parse_interval, parse_tolerance, parse_value
from wakeboard.instruments.virtual.circuit.errors import CircuitError
from wakeboard.instruments.virtual.circuit.part import Part
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit.kind import Kind, Quantity

__all__ = ["Part", "PartNote", "read_parts"]

RATINGS = {"voltage": "V", "current": "A", "power": "W"}
_NAME = re.compile(r"[A-Za-z0-9_+\-/#~\[\]]+\Z")
_NET = re.compile(r"[^\s:=;,>]+\Z")
_OWN = (
    "kind", "pins", "max", "tolerance", "variants", "place", "says", "pin_table", "package", "options", "aliases",
    "boots", "starts", "before_firmware", "debug", "fused",
)  # fmt: skip


@dataclass(frozen=True)
class PartNote:
    """What the board file says of a part beyond the circuit's needs.

    pin_table: the processor's pin table, package: whose pin numbers the pins are named by, options: the functions in
    use, aliases: pin -> its name in that table. boots: how it starts -> the levels of its strap pins that make it start
    that way, starts: how it should start. before_firmware: pin -> "low", "high" or "either", what the chip drives
    by itself. debug: the pins of its debug port, fused: whether a one-time fuse takes that port away.
    """

    place: str = ""
    says: str = ""
    variants: tuple[str, ...] = ()
    pin_table: str = ""
    options: tuple[str, ...] = ()
    aliases: Mapping[str, str] = field(default_factory=dict)
    package: str = ""
    boots: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    starts: str = ""
    before_firmware: Mapping[str, str] = field(default_factory=dict)
    debug: tuple[str, ...] = ()
    fused: bool = False


def board_kinds() -> Mapping[str, Kind]:
    """The part kinds that can be on a board: all but the bench's own."""
    from wakeboard.instruments.virtual.circuit.parts import kinds

    return _but_the_benchs(tuple(kinds()))


@functools.cache
def _but_the_benchs(_names: tuple[str, ...]) -> Mapping[str, Kind]:
    """Kept until a board brings more of its own."""
    from wakeboard.instruments.virtual.circuit.parts import kinds

    return {name: kind for name, kind in kinds().items() if not kind.bench}


def read_parts(document: Document) -> tuple[dict[str, Part], dict[str, PartNote]]:
    """The parts of a board file; what is wrong with them is added to the document.

    A part with a mistake is returned too, with what could be read of it, so that one wrong value does not make its nets
    unknown to everything that is checked after.
    """
    parts: dict[str, Part] = {}
    notes: dict[str, PartNote] = {}
    tables = document.data.get("parts", {})
    if not isinstance(tables, dict):
        document.add(("parts",), quoted(tables), "a table of parts")
        return parts, notes
    for name, table in tables.items():
        reader = _PartReader(document, name, table)
        parts[name], notes[name] = reader.part(), reader.note
    return parts, notes


class _PartReader:
    """One part's table. Every method adds its problems to the document and goes on."""

    def __init__(self, document: Document, name: str, table: Any) -> None:
        self.document = document
        self.name = name
        self.table = table
        self.path: Path = ("parts", name)
        self.values: dict[str, object] = {}
        self.tolerance: dict[str, float] = {}
        self.bounds: dict[str, tuple[float, float]] = {}
        self.note = PartNote()
        self.good = True

    def wrong(self, path: Path, found: str, allowed: str, hint: str = "") -> None:
        self.good = False
        self.document.add((*self.path, *path), found, allowed, hint)

    def part(self) -> Part:
        kind = self._kind()
        if kind is None:
            return Part(self.name, "unknown", self._raw_pins())
        pins = self._pins(kind)
        self._values(kind)
        ratings = self._ratings()
        self.note = self._note(kind)
        part = Part(self.name, kind.name, pins, self.values, self.tolerance, ratings, self.bounds)
        if self.good:
            self._check_fit(kind, part)
        return part

    def _raw_pins(self) -> dict[str, str]:
        found = self.table.get("pins") if isinstance(self.table, dict) else None
        pairs = found.items() if isinstance(found, dict) else enumerate(found if isinstance(found, list) else [])
        return {str(pin): net for pin, net in pairs if isinstance(net, str)}

    # --- kind and pins ----------------------------------------------------------------------------------------
    def _kind(self) -> Kind | None:
        if not isinstance(self.table, dict):
            self.wrong((), quoted(self.table), 'a table, such as { kind = "resistor", … }')
            return None
        if not _NAME.match(self.name):
            self.wrong((), f"the name {quoted(self.name)}", "letters, digits and _ + - / #, so that faults can name it")
        found = self.table.get("kind")
        kind = board_kinds().get(found) if isinstance(found, str) else None
        if kind is None:
            text = "nothing" if found is None else quoted(found)
            self.wrong(("kind",), text, one_of(board_kinds(), 40), nearest(found, board_kinds()) if found else "")
        return kind

    def _pins(self, kind: Kind) -> dict[str, str]:
        found = self.table.get("pins")
        if isinstance(found, list):
            found = self._listed(kind, found)
        if not isinstance(found, dict):
            if self.good or "pins" not in self.table:
                text = "nothing" if "pins" not in self.table else quoted(found)
                self.wrong(("pins",), text, _pins_allowed(kind))
            return {}
        pins: dict[str, str] = {}
        unknown = []
        for pin, net in found.items():
            name = str(pin)
            if not kind.any_pins and name not in kind.pins:
                unknown.append(pin)
                self.wrong(("pins", pin), f"the pin {quoted(pin)}", one_of(kind.pins), nearest(pin, kind.pins))
            elif not isinstance(net, str) or not _NET.match(net):
                self.wrong(("pins", pin), quoted(net), "the name of a net, without spaces or : = ; , >")
            if isinstance(net, str):
                pins[name] = net
        absent = [pin for pin in kind.pins if pin not in pins and pin not in kind.optional]
        if absent and not kind.any_pins and not unknown:  # a mistyped pin is one mistake, not two
            self.wrong(("pins",), f"no net for {', '.join(absent)}", _pins_allowed(kind))
        return pins

    def _listed(self, kind: Kind, nets: list[object]) -> dict[str, object] | None:
        if kind.any_pins or len(nets) != len(kind.pins):
            self.wrong(("pins",), f"a list of {count(len(nets), 'net')}", _pins_allowed(kind))
            return None
        return dict(zip(kind.pins, nets, strict=True))

    # --- values -----------------------------------------------------------------------------------------------
    def _values(self, kind: Kind) -> None:
        for key, found in self.table.items():
            name = kind.synonyms.get(key, key)
            if key in kind.nested:
                self.values[key] = self._nested(key, found)
            elif name in kind.values:
                self._value(key, name, kind.values[name], found)
            elif key not in _OWN:
                known = _keys(kind)
                self.wrong((key,), f"the unknown key {quoted(key)}", one_of(known, 20), nearest(key, known))
        for name, quantity in kind.values.items():
            if quantity.required and not any(kind.synonyms.get(key, key) == name for key in self.table):
                self.wrong((name,), "nothing", f"{quantity.says or name}{_in_unit(quantity)} (needed)")
        self._main_tolerance(kind)

    def _main_tolerance(self, kind: Kind) -> None:
        if "tolerance" not in self.table:
            return
        if kind.main is None:
            self.wrong(("tolerance",), "a tolerance", f'none here; write it on the value: "… ± 5 %" ({kind.name})')
            return
        try:
            tolerance = parse_tolerance(self.table["tolerance"])
        except QuantityError as error:
            self.wrong(("tolerance",), error.found, error.allowed)
            return
        self.tolerance[kind.main] = tolerance.relative or 0.0

    def _value(self, key: str, name: str, quantity: Quantity, found: object) -> None:
        try:
            value, spread, bounds = _read_value(quantity, found)
        except QuantityError as error:
            self.wrong((key,), error.found, error.allowed)
            return
        if quantity.unit in ("Ω", "F", "H") and value < 0:
            self.wrong((key,), quoted(found), "a value that is not below zero")
        self.values[name] = value
        if spread:
            self.tolerance[name] = spread
        if bounds:
            self.bounds[name] = bounds

    def _nested(self, key: str, found: object) -> dict[str, dict[str, object]]:
        """A chip's [io] and [supply]: pin -> its own table of values."""
        result: dict[str, dict[str, object]] = {}
        if not isinstance(found, dict):
            self.wrong((key,), quoted(found), "a table: pin = { … }")
            return result
        pins = self.table.get("pins")
        known = list(pins) if isinstance(pins, dict) else []
        for pin, table in found.items():
            if pin not in known:
                self.wrong((key, pin), f"the pin {quoted(pin)}", one_of(known, 40), nearest(pin, known))
            elif not isinstance(table, dict):
                self.wrong((key, pin), quoted(table), "a table: { … }")
            else:
                result[pin] = self._entry(key, pin, table, known)
        return result

    def _entry(self, key: str, pin: str, table: dict[str, object], pins: list[str]) -> dict[str, object]:
        schema = nested_schema(key)
        entry: dict[str, object] = {}
        for word, found in table.items():
            path = (key, pin, word)
            if word not in schema:
                self.wrong(path, f"the unknown key {quoted(word)}", one_of(schema, 20), nearest(word, schema))
                continue
            unit, choices = schema[word]
            if word == "rail":
                choices = tuple(pins)
            if choices and (not isinstance(found, str | bool) or found not in choices):
                self.wrong(path, quoted(found), one_of(map(quoted, choices), 40), nearest(found, map(str, choices)))
                continue
            try:
                value, spread, bounds = _read_text(unit, found, signed=word == "leak")
            except QuantityError as error:
                self.wrong(path, error.found, error.allowed)
                continue
            entry[word] = value
            if spread:
                self.tolerance[f"{pin}.{word}"] = spread
            if bounds:
                self.bounds[f"{pin}.{word}"] = bounds
        return entry

    # --- the rest ---------------------------------------------------------------------------------------------
    def _ratings(self) -> dict[str, float]:
        found = self.table.get("max", {})
        ratings: dict[str, float] = {}
        if not isinstance(found, dict):
            self.wrong(("max",), quoted(found), 'a table, such as { current = "1 A" }')
            return ratings
        for word, text in found.items():
            if word not in RATINGS:
                self.wrong(("max", word), f"the unknown key {quoted(word)}", one_of(RATINGS), nearest(word, RATINGS))
                continue
            try:
                ratings[word] = parse(text, RATINGS[word])
            except QuantityError as error:
                self.wrong(("max", word), error.found, error.allowed)
                continue
            if ratings[word] <= 0:
                self.wrong(("max", word), quoted(text), "a rating above zero")
        return ratings

    def _note(self, kind: Kind) -> PartNote:
        for key in ("place", "says", "pin_table", "package", "starts"):
            if not isinstance(self.table.get(key, ""), str):
                self.wrong((key,), quoted(self.table[key]), "text in quotes")
        options, aliases = self.table.get("options", []), self.table.get("aliases", {})
        if not isinstance(options, list) or not all(isinstance(each, str) for each in options):
            self.wrong(("options",), quoted(options), 'a list of functions in use, such as ["debug"]')
            options = []
        if not isinstance(aliases, dict) or not all(isinstance(each, str) for each in aliases.values()):
            self.wrong(("aliases",), quoted(aliases), 'a table pin = "its name in the pin table"')
            aliases = {}
        return PartNote(
            place=str(self.table.get("place", "")),
            says=str(self.table.get("says", "")),
            variants=self._variants(kind),
            pin_table=str(self.table.get("pin_table", "")),
            options=tuple(options),
            aliases=aliases,
            package=str(self.table.get("package", "")),
            boots=self._boots(),
            starts=str(self.table.get("starts", "")),
            before_firmware=self._before_firmware(),
            debug=self._debug(),
            fused=self._fused(),
        )

    def _before_firmware(self) -> dict[str, str]:
        """What the chip itself drives on its pins before any firmware runs."""
        found = self.table.get("before_firmware", {})
        if not isinstance(found, dict):
            self.wrong(("before_firmware",), quoted(found), 'a table pin = "low", "high" or "either"')
            return {}
        for pin, level in found.items():
            self._known_pin(("before_firmware", pin), pin)
            if level not in ("low", "high", "either"):
                self.wrong(("before_firmware", pin), quoted(level), '"low", "high" or "either"')
        return {str(pin): str(level) for pin, level in found.items()}

    def _debug(self) -> tuple[str, ...]:
        found = self.table.get("debug", [])
        if not isinstance(found, list) or not all(isinstance(pin, str) for pin in found):
            self.wrong(("debug",), quoted(found), "a list of pins")
            return ()
        for place, pin in enumerate(found):
            self._known_pin(("debug", place), pin)
        return tuple(found)

    def _fused(self) -> bool:
        found = self.table.get("fused", False)
        if not isinstance(found, bool):
            self.wrong(("fused",), quoted(found), "true or false")
        return found is True

    def _known_pin(self, path: Path, pin: str) -> None:
        pins = self.table.get("pins")
        known = list(pins) if isinstance(pins, dict) else []
        if pin not in known:
            self.wrong(path, f"the pin {quoted(pin)}", one_of(known, 40), nearest(pin, known))

    def _boots(self) -> dict[str, dict[str, str]]:
        """How the part starts, by the levels of its straps at reset."""
        found = self.table.get("boots", {})
        if not isinstance(found, dict):
            self.wrong(("boots",), quoted(found), 'a table, such as { flash = { BOOT = "low" } }')
            return {}
        boots = {name: straps for name, straps in found.items() if self._straps(name, straps)}
        starts = self.table.get("starts")
        if starts is not None and starts not in found and "pin_table" not in self.table:
            self.wrong(("starts",), quoted(starts), one_of(found), nearest(starts, found))
        return boots

    def _straps(self, name: str, straps: object) -> bool:
        pins = self.table.get("pins")
        known = list(pins) if isinstance(pins, dict) else []
        if not isinstance(straps, dict):
            self.wrong(("boots", name), quoted(straps), 'a table pin = "low" or "high"')
            return False
        for pin, level in straps.items():
            if pin not in known:
                self.wrong(("boots", name, pin), f"the pin {quoted(pin)}", one_of(known, 40), nearest(pin, known))
            elif level not in ("low", "high"):
                self.wrong(("boots", name, pin), quoted(level), '"low" or "high"')
        return True

    def _variants(self, kind: Kind) -> tuple[str, ...]:
        """Their texts; their values, in the unit of the kind's main value, go to the circuit."""
        found = self.table.get("variants", [])
        if kind.main is None and found:
            self.wrong(("variants",), quoted(found), f"none for a {kind.name}, which has no main value")
            return ()
        if not isinstance(found, list):
            self.wrong(("variants",), quoted(found), 'a list of values, such as ["2.8 V", "1.8 V"]')
            return ()
        values = []
        for index, text in enumerate(found):
            try:
                values.append(parse(text, kind.values[kind.main or ""].unit))
            except QuantityError as error:
                self.wrong(("variants", index), error.found, error.allowed)
        if values:
            self.values["variants"] = tuple(values)
        return tuple(str(text) for text in found)

    def _check_fit(self, kind: Kind, part: Part) -> None:
        """What only the kind itself can tell, such as an unknown channel of a transistor."""
        from wakeboard.instruments.virtual.circuit.draft import Draft

        defaults = {name: quantity.default for name, quantity in kind.values.items()}
        try:
            kind.check(part)
            kind.expand(Draft(part, {}, defaults))
            for path, ends in part.bounds.items():
                for end in ends:
                    kind.expand(Draft(part, {path: end}, defaults))
        except CircuitError as error:
            self.wrong((), f"values that do not fit: {error}", f"what a {kind.name} can be")
        except (ValueError, ZeroDivisionError, OverflowError, TypeError, KeyError) as error:
            self.wrong((), f"values that do not fit: {error or type(error).__name__}", f"what a {kind.name} can be")


def value_unit(part: Part, tail: str) -> str:
    """The unit of a part's value: "drop", or one of a chip's tables, "VDD.draws"."""
    from wakeboard.instruments.virtual.circuit.parts import kind_of

    quantity = kind_of(part).values.get(tail)
    if quantity is not None:
        return quantity.unit
    word = tail.rpartition(".")[2]
    if word == "idle":  # a chip's own unknown, which no file states: what a supply pin conducts without power
        return "S"
    return next((schema[word][0] for table in ("io", "supply") if word in (schema := nested_schema(table))), "")


@functools.cache
def nested_schema(table: str) -> Mapping[str, tuple[str, tuple[object, ...]]]:
    """What may stand in a chip's [io] and [supply] entries: word -> (unit, choices; none: anything of the unit)."""
    from wakeboard.instruments.virtual.circuit.parts.chip import DRIVES, TYPES

    if table == "supply":
        return {"draws": ("A", ()), "amps": ("A", ()), "standby": ("A", ()), "above": ("V", ())}
    return {
        "type": ("", TYPES),
        "rail": ("", ()),  # any pin of the part
        "drive": ("", DRIVES),
        "ohms": ("Ω", ()),
        "max": ("A", ()),
        "pulls": ("", ("none", "up", "down", "both")),
        "pull_up": ("Ω", ()),
        "pull_down": ("Ω", ()),
        "pull_ohms": ("Ω", ()),
        "leak": ("A", ()),
        "park": ("V", ()),
        "clamp": ("", (True, False)),
        "reads_low": ("V", ()),
        "reads_high": ("V", ()),
        "source": ("", ()),  # where the pull is from: a file or a data sheet, for whoever reads a review
    }


def _keys(kind: Kind) -> list[str]:
    return [*_OWN, *kind.values, *kind.synonyms, *kind.nested]


def _pins_allowed(kind: Kind) -> str:
    if kind.any_pins:
        return 'a table pin = net, such as { VDD = "+3V3", GND = "GND" }'
    nets = ", ".join('"…"' for _ in kind.pins)
    pins = ", ".join(f'{pin} = "…"' for pin in kind.pins)
    return f"{{ {pins} }}" + (f" or [{nets}]" if len(kind.pins) == 2 else "")


def _in_unit(quantity: Quantity) -> str:
    return f", in {quantity.unit}" if quantity.unit else ""


Read = tuple[Any, float, tuple[float, float] | None]
"""The value, its relative tolerance, and the range where it was stated as one."""


def _read_value(quantity: Quantity, found: object) -> Read:
    """Raises QuantityError."""
    if not quantity.unit and isinstance(quantity.default, bool):
        if not isinstance(found, bool):
            raise QuantityError(quoted(found), "true or false")
        return found, 0.0, None
    if not quantity.unit and isinstance(quantity.default, float) and isinstance(found, str):
        return parse(found, "%" if found.rstrip().endswith("%") else ""), 0.0, None  # a plain number, or a share
    return _read_text(quantity.unit, found)


def _read_text(unit: str, found: Any, signed: bool = False) -> Read:
    """signed: a value that may be of either sign, so that its tolerance may be wider than itself."""
    if not unit:
        if isinstance(found, (str, bool, int, float)):
            return found, 0.0, None
        raise QuantityError(quoted(found), "text or a number")
    if isinstance(found, str) and (".." in found or found.strip()[:1] in ("<", "≤")):
        return _range(unit, found, signed)
    value = parse_value(found, unit)
    if signed and value.high > value.low and value.low * value.high <= 0:
        return value.nominal, 0.0, (value.low, value.high)
    if value.tolerance >= 1 or (value.high > value.low and not value.nominal):
        raise QuantityError(quoted(found), "a tolerance narrower than the value itself, or a range: low .. high")
    return value.nominal, value.tolerance, None


def _range(unit: str, found: str, signed: bool) -> Read:
    """A value stated as a range: the middle is what is drawn."""
    interval = parse_interval(found, unit)
    high = interval.high or 0.0
    low = interval.low if interval.low is not None else (-high if signed else 0.0)
    if not low < high:
        raise QuantityError(quoted(found), "a range whose low end is below its high end")
    return 0.5 * (low + high), 0.0, (low, high)


def nets_of(parts: Mapping[str, Part]) -> Iterator[str]:
    for part in parts.values():
        yield from part.pins.values()
