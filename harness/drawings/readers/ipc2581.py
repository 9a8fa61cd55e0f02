"""IPC-2581 (XML): nets, pins, pads, places, values, what is not fitted, and the outline, all in one file.

An export for assembly may have no LogicalNet: then the nets are those of the pads' sets. Read with the standard
library's expat; a document that declares entities is refused: nothing outside it is opened, and nothing grows.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final
from xml.parsers import expat

from wakeboard.harness.describe.problems import quoted
from wakeboard.harness.drawings.design import Design, Pad, Side, Where
from wakeboard.harness.drawings.source import Source, Trouble

from . import Options

WHAT: Final = "IPC-2581"
_UNITS: Final = {"MILLIMETER": 1.0, "INCH": 25.4, "MICRON": 1e-3, "MIL": 0.0254}
_VALUE_NAMES: Final = ("value", "val", "comment")
_NUMBER_NAMES: Final = ("mpn", "manufacturer part number", "part number", "manufacturer_part_number", "mfr part")
_WORDS: Final = ("description", "tolerance", "voltage", "type", "current", "power", "resistance", "capacitance")
NO_NET: Final = ("", "no net", "no_net", "nonet", "nc", "n/c")
MOST_DEEP: Final = 200
"""Elements within one another: the format has some twenty, and each that is open takes memory."""

Attributes = Mapping[str, str]


def tells(source: Source) -> int:
    return 97 if re.search(r"<(?:\w+:)?IPC-2581\b", source.head) else 0


@dataclass
class _Pin:
    """A pad while its element is open."""

    net: str
    layer: str
    x: float = 0.0
    y: float = 0.0
    rotation: float = 0.0
    shape: str = ""
    pins: list[tuple[str, str]] = field(default_factory=list)


@dataclass
class _Item:
    """A line of the list of parts while its element is open."""

    number: str
    says: str
    line: int
    names: list[tuple[str, bool]] = field(default_factory=list)
    told: dict[str, str] = field(default_factory=dict)


class _Reader:
    """Handlers of one document."""

    def __init__(self, source: Source) -> None:
        self.source, self.trouble, self.design = source, Trouble(source), Design()
        self.parser = expat.ParserCreate(namespace_separator=None)
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.EntityDeclHandler = self._entity
        self.parser.buffer_text = True
        self.depth = 0
        self.scale, self.shape_scale = 1.0, 1.0
        self.sides: dict[str, Side] = {}
        self.shapes: dict[str, tuple[float, float]] = {}
        self.shape = self.layer = self.net = self.component = self.logical = ""
        self.pad: _Pin | None = None
        self.item: _Item | None = None
        self.in_profile = False
        self.pads: list[_Pin] = []
        self.logical_pins: list[tuple[str, str, str, int]] = []

    def read(self) -> Design:
        try:
            self.parser.Parse(self.source.text.encode("utf-8", "replace"), True)
        except expat.ExpatError as error:
            line, column = error.lineno, error.offset + 1
            says = expat.ErrorString(error.code)
            raise self.source.wrong(line, column, f"XML that breaks off: {says}", "a whole XML file") from None
        self._join()
        self.trouble.end()
        if not self.design.parts:
            raise self.source.wrong(1, 0, "no component", "Component, RefDes and PinRef of IPC-2581")
        return self.design

    def _entity(self, *_what: object) -> None:
        line, column = self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1
        raise self.source.wrong(line, column, "an entity declaration", "XML without entities of its own")

    def _start(self, tag: str, attributes: Attributes) -> None:
        self.depth += 1
        if self.depth > MOST_DEEP:
            line, column = self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1
            raise self.source.wrong(line, column, f"elements {MOST_DEEP} deep", "XML that a program writes")
        handler = _STARTS.get(tag.rpartition(":")[2])
        if handler is not None:
            handler(self, attributes)

    def _end(self, tag: str) -> None:
        self.depth -= 1
        name = tag.rpartition(":")[2]
        if name == "Pad" and self.pad is not None:
            self.pads.append(self.pad)
            self.pad = None
        elif name == "Set":
            self.net = ""
        elif name == "Component":
            self.component = ""
        elif name == "LogicalNet":
            self.logical = ""
        elif name == "Profile":
            self.in_profile = False
        elif name == "BomItem" and self.item is not None:
            self._bom(self.item)
            self.item = None

    def number(self, attributes: Attributes, key: str, default: float = 0.0) -> float:
        text = attributes.get(key)
        if text is None:
            return default
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or abs(value) > 1e9:
            line, column = self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1
            self.trouble.add(line, column, f"{key} = {quoted(text)}", "a number")
            return default
        return value

    # --- elements ---
    def units(self, attributes: Attributes) -> None:
        word = attributes.get("units", "MILLIMETER")
        if word not in _UNITS:
            line, column = self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1
            self.trouble.add(line, column, f"units {quoted(word)}", ", ".join(_UNITS))
        self.scale = _UNITS.get(word, 1.0)

    def shape_units(self, attributes: Attributes) -> None:
        self.shape_scale = _UNITS.get(attributes.get("units", ""), self.scale)

    def entry(self, attributes: Attributes) -> None:
        self.shape = attributes.get("id", "")

    def sized(self, attributes: Attributes) -> None:
        if self.shape and self.shape not in self.shapes:
            across = self.number(attributes, "diameter") or self.number(attributes, "width")
            high = self.number(attributes, "height") or across
            self.shapes[self.shape] = (across * self.shape_scale, high * self.shape_scale)

    def layer_of(self, attributes: Attributes) -> None:
        side = attributes.get("side", "").upper()
        names: dict[str, Side] = {"TOP": "top", "BOTTOM": "bottom", "ALL": "both", "BOTH": "both"}
        if attributes.get("layerFunction", "").upper() in ("CONDUCTOR", "SIGNAL", "PLANE", "MIXED", ""):
            self.sides[attributes.get("name", "")] = names.get(side, "")

    def feature(self, attributes: Attributes) -> None:
        self.layer = attributes.get("layerRef", "")

    def set_of(self, attributes: Attributes) -> None:
        self.net = attributes.get("net", "")

    def pad_of(self, _attributes: Attributes) -> None:
        self.pad = _Pin(self.net, self.layer)

    def xform(self, attributes: Attributes) -> None:
        turned = self.number(attributes, "rotation")
        if self.pad is not None:
            self.pad.rotation = turned
        elif self.component:
            self.design.part(self.component).rotation = turned

    def location(self, attributes: Attributes) -> None:
        x, y = self.number(attributes, "x") * self.scale, self.number(attributes, "y") * self.scale
        if self.pad is not None:
            self.pad.x, self.pad.y = x, y
        elif self.component:
            part = self.design.part(self.component)
            part.x, part.y = x, y
            part.said["place"] = Where(self.source.short, self.parser.CurrentLineNumber)

    def primitive(self, attributes: Attributes) -> None:
        if self.pad is not None and not self.pad.shape:
            self.pad.shape = attributes.get("id", "")

    def pin_ref(self, attributes: Attributes) -> None:
        part, pin = attributes.get("componentRef", ""), attributes.get("pin", "")
        if self.logical and part and pin:
            self.logical_pins.append((self.logical, part, pin, self.parser.CurrentLineNumber))
        elif self.pad is not None and part and pin:
            self.pad.pins.append((part, pin))

    def logical_net(self, attributes: Attributes) -> None:
        self.logical = attributes.get("name", "")

    def component_of(self, attributes: Attributes) -> None:
        self.component = attributes.get("refDes", "")
        if self.component:
            part = self.design.part(self.component)
            part.footprint = attributes.get("packageRef", "")
            part.side = "bottom" if self.sides.get(attributes.get("layerRef", "")) == "bottom" else "top"

    def bom_item(self, attributes: Attributes) -> None:
        number, says = attributes.get("OEMDesignNumberRef", ""), attributes.get("description", "")
        self.item = _Item(number, says, self.parser.CurrentLineNumber)

    def ref_des(self, attributes: Attributes) -> None:
        if self.item is not None and attributes.get("name"):
            self.item.names.append((attributes["name"], attributes.get("populate", "true").lower() != "false"))

    def textual(self, attributes: Attributes) -> None:
        if self.item is not None:
            name = attributes.get("textualCharacteristicName", "").casefold()
            self.item.told.setdefault(name, attributes.get("textualCharacteristicValue", ""))

    def profile(self, _attributes: Attributes) -> None:
        self.in_profile = True

    def polygon(self, attributes: Attributes) -> None:
        if self.in_profile:
            self.design.outline.append([])
            self.corner(attributes)

    def corner(self, attributes: Attributes) -> None:
        if self.in_profile and self.design.outline:
            point = (self.number(attributes, "x") * self.scale, self.number(attributes, "y") * self.scale)
            self.design.outline[-1].append(point)

    # --- what they make ---
    def _bom(self, item: _Item) -> None:
        value = next((item.told[name] for name in _VALUE_NAMES if item.told.get(name)), "")
        number = next((item.told[name] for name in _NUMBER_NAMES if item.told.get(name)), "")
        words = [item.says, *(item.told.get(name, "") for name in _WORDS)]
        for name, fitted in item.names:
            part = self.design.part(name)
            part.value, part.number, part.fitted = value or item.number, number, fitted
            part.description = " ".join(dict.fromkeys(filter(None, words)))
            where = Where(self.source.short, item.line)
            part.said.update(value=where, number=where, description=where, fitted=where)

    def _join(self) -> None:
        for net, part, pin, line in self.logical_pins:
            self._pin(net, part, pin, line)
        nets = {(part, pin): net for net, part, pin, _ in self.logical_pins}
        for pad in self.pads:
            if self.sides.get(pad.layer, "") or not self.sides:
                self._pad(pad, nets)

    def _pin(self, net: str, name: str, pin: str, line: int) -> None:
        part = self.design.part(name)
        part.said.setdefault("pins", Where(self.source.short, line))
        if net.casefold() in NO_NET:
            return
        if part.pins.setdefault(pin, net) != net:
            self.trouble.add(line, 1, f"{name}.{pin} on {quoted(net)}", f"{quoted(part.pins[pin])}, as further up")

    def _pad(self, pad: _Pin, nets: Mapping[tuple[str, str], str]) -> None:
        width, height = self.shapes.get(pad.shape, (0.0, 0.0))
        side = self.sides.get(pad.layer, "")
        for part, pin in pad.pins or [("", "")]:
            net = nets.get((part, pin), "" if pad.net.casefold() in NO_NET else pad.net)
            if part and not self.logical_pins:
                self._pin(net, part, pin, 0)
            new = Pad(part, pin, net, pad.x, pad.y, side, width, height, pad.rotation, via=not part)
            self.design.pads.append(new)


_STARTS: Final[Mapping[str, Callable[[_Reader, Attributes], None]]] = {
    "CadHeader": _Reader.units, "DictionaryStandard": _Reader.shape_units, "EntryStandard": _Reader.entry,
    "Circle": _Reader.sized, "RectCenter": _Reader.sized, "RectRound": _Reader.sized, "Oval": _Reader.sized,
    "RectCham": _Reader.sized, "Layer": _Reader.layer_of, "LayerFeature": _Reader.feature, "Set": _Reader.set_of,
    "Pad": _Reader.pad_of, "Xform": _Reader.xform, "Location": _Reader.location, "PinRef": _Reader.pin_ref,
    "StandardPrimitiveRef": _Reader.primitive, "UserPrimitiveRef": _Reader.primitive,
    "LogicalNet": _Reader.logical_net, "Component": _Reader.component_of, "BomItem": _Reader.bom_item,
    "RefDes": _Reader.ref_des, "Textual": _Reader.textual, "Profile": _Reader.profile, "PolyBegin": _Reader.polygon,
    "PolyStepSegment": _Reader.corner, "PolyStepCurve": _Reader.corner,
}  # fmt: skip


def read(source: Source, options: Options) -> Design:
    """Raises FileProblems with line and column: XML that breaks off, entities, numbers and units that are none."""
    return _Reader(source).read()
