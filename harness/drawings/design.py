"""What the files of a drawing say, in one neutral form: parts, pins on nets, pads with places, values, outline.

Every reader yields a Design of what its file holds; `joined` makes one of several. Lengths are millimetres, angles
degrees counter-clockwise, seen from the top side.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

from wakeboard.harness.describe.problems import FileProblems, Problem, quoted

Side = Literal["top", "bottom", "both", ""]


@dataclass(frozen=True, slots=True)
class Where:
    """A place in a file, for a person: "board.ipc:17"."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}" if self.line else self.file


@dataclass(slots=True)
class Pad:
    """Where copper can be touched. `part` is "" for a via or a lone hole, `net` "" where it belongs to none."""

    part: str
    pin: str
    net: str
    x: float | None = None
    y: float | None = None
    side: Side = ""
    width: float = 0.0
    height: float = 0.0
    rotation: float = 0.0
    via: bool = False


@dataclass
class DrawnPart:
    """A part as the files show it. `said` has what was said of it, by word, and where: {"value": Where(…)}.
    model, notes, thresholds (net -> volts low, high): of a chip whose own file was read."""

    name: str
    pins: dict[str, str] = field(default_factory=dict)
    pin_names: dict[str, str] = field(default_factory=dict)
    value: str = ""
    number: str = ""
    description: str = ""
    footprint: str = ""
    price: float | None = None
    fitted: bool | None = None
    x: float | None = None
    y: float | None = None
    rotation: float = 0.0
    side: Side = ""
    model: dict[str, Any] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)
    thresholds: dict[str, tuple[float, float]] = field(default_factory=dict)
    said: dict[str, Where] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """All words on it, for whoever looks for one."""
        return " ".join(filter(None, (self.value, self.number, self.description, self.footprint)))


@dataclass(frozen=True)
class ChipPin:
    """One pin of a chip's own file. role: power, ground, none (not connected), signal. io: as a board file's io table;
    low_max, high_min: input thresholds, V; note: what the file says beyond that, for a comment."""

    signal: str
    role: str = "signal"
    io: dict[str, object] = field(default_factory=dict)
    low_max: float | None = None
    high_min: float | None = None
    note: str = ""


@dataclass
class ChipFile:
    """A chip as its own file describes it: pins by number. part: the reference that a person named, "" for none."""

    file: str
    component: str
    pins: dict[str, ChipPin]
    part: str = ""
    what: str = ""


WORDS = ("value", "number", "description", "footprint")


@dataclass
class Design:
    """A drawing. `used`: (file, format) of each file read; `remarks`: what a person should know of the reading."""

    parts: dict[str, DrawnPart] = field(default_factory=dict)
    pads: list[Pad] = field(default_factory=list)
    outline: list[list[tuple[float, float]]] = field(default_factory=list)
    adjacent: list[tuple[str, str]] = field(default_factory=list)
    supplies: dict[str, tuple[str, float]] = field(default_factory=dict)
    chips: list[ChipFile] = field(default_factory=list)
    title: str = ""
    used: list[tuple[str, str]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def part(self, name: str) -> DrawnPart:
        """The part of that name, made where there is none."""
        return self.parts.setdefault(name, DrawnPart(name))

    def nets(self) -> dict[str, list[tuple[str, str]]]:
        """net -> (part, pin) on it, in the order of the files."""
        found: dict[str, list[tuple[str, str]]] = {}
        for part in self.parts.values():
            for pin, net in part.pins.items():
                found.setdefault(net, []).append((part.name, pin))
        return found

    def counts(self) -> dict[str, int]:
        """How much of everything there is, for a person and for tests."""
        nets = {pad.net for pad in self.pads if pad.net} or set(self.nets())
        return {
            "parts": len(self.parts),
            "nets": len(nets),
            "pins": sum(len(part.pins) for part in self.parts.values()),
            "pads": len(self.pads),
            "vias": sum(pad.via for pad in self.pads),
            "placed": sum(part.x is not None for part in self.parts.values()),
        }


def joined(designs: Iterable[Design]) -> Design:
    """One design of several. What an earlier one says of a part stands; a part on other nets is a problem."""
    whole = Design()
    for each in designs:
        whole.pads += each.pads if not whole.pads else []
        whole.outline = whole.outline or each.outline
        whole.adjacent += each.adjacent
        whole.supplies.update(each.supplies)
        whole.title = whole.title or each.title
        whole.used += each.used
        whole.remarks += each.remarks
        whole.chips += each.chips
        for part in each.parts.values():
            _add(whole, part)
    return whole


def _add(whole: Design, new: DrawnPart) -> None:
    part = whole.part(new.name)
    _same_nets(part, new)
    if not part.pins and new.pins:
        part.pins = dict(new.pins)
        part.said["pins"] = new.said.get("pins", Where("", 0))
    part.pin_names.update(new.pin_names)
    part.model = part.model or new.model
    for word in WORDS:
        if not getattr(part, word) and getattr(new, word):
            setattr(part, word, getattr(new, word))
            part.said[word] = new.said.get(word, Where("", 0))
    if part.fitted is None and new.fitted is not None:
        part.fitted = new.fitted
        part.said["fitted"] = new.said.get("fitted", Where("", 0))
    if part.x is None and new.x is not None:
        part.x, part.y, part.rotation = new.x, new.y, new.rotation
        part.side = new.side or part.side
        part.said["place"] = new.said.get("place", Where("", 0))


def _same_nets(part: DrawnPart, new: DrawnPart) -> None:
    for pin, net in new.pins.items():
        if part.pins.get(pin, net) != net:
            where = new.said.get("pins", Where("", 0))
            allowed = f"{quoted(part.pins[pin])}, as {part.said.get('pins')} has it"
            raise FileProblems([Problem(where.file, where.line, f"{part.name}.{pin}", quoted(net), allowed)])


def pads_of(design: Design) -> dict[str, list[Pad]]:
    """part -> its pads that have a place."""
    found: dict[str, list[Pad]] = {}
    for pad in design.pads:
        if pad.part and pad.x is not None:
            found.setdefault(pad.part, []).append(pad)
    return found
