"""The board file: the design as an engineer writes it down from the schematic.

    board = load_board("board.toml")
    board.supplies["USB"].volts.nominal      5.0
    board.rails["V33"].limits                Interval(3.201, 3.399)
    board.net_of("TP7")                      "RADIO_RST"      (any supply, rail, line, point or net)

All numbers are SI floats, Values or Intervals of `wakeboard.instruments.quantity`. A board without [parts] has `parts`
empty.
The models take the file's tables as they stand; what ties tables together is checked in `board_checks`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from typing import Annotated, Literal

from pydantic import BeforeValidator, Discriminator, Field, PrivateAttr, Tag

from wakeboard.harness.describe.board.parts import Part, PartNote
from wakeboard.harness.describe.problems import nearest
from wakeboard.harness.describe.toml.fields import (
    Amps,
    BytesPerSecond,
    Farads,
    Hertz,
    Named,
    Names,
    OneOrMore,
    Pattern,
    Seconds,
    Table,
    Volts,
    VoltsLimits,
    VoltsValue,
    as_tuple,
    give_names,
)
from wakeboard.instruments.quantity import Interval

Level = Literal["high", "low"]
Pair = Annotated[tuple[str, str], BeforeValidator(as_tuple)]
Pairs = Annotated[tuple[Pair, ...], BeforeValidator(as_tuple)]


class UnknownName(KeyError):
    """A name that the board does not have."""

    def __init__(self, name: str, hint: str = "") -> None:
        super().__init__(name)
        self.name = name
        self.hint = hint

    def __str__(self) -> str:
        return f'the board has no "{self.name}"' + (f"; {self.hint}" if self.hint else "")


class BoardHead(Table):
    name: str = Field(min_length=1, description="the board's name")
    revision: str = Field(min_length=1, description="the revision, in quotes")
    says: str = ""
    ground: str = "GND"
    adjacent: Pairs = ()
    own: OneOrMore = ()


class Supply(Named):
    """A way for power to enter. `may_take`: the most current that may flow into it; None where nothing is said."""

    net: str = Field(description="the net that it feeds")
    volts: VoltsValue = Field(description='its nominal voltage, such as "5 V"')
    kind: Literal["usb", "cell", "panel", "adapter"] | None = None
    range: VoltsLimits | None = None
    budget: Amps | None = None
    may_take: Amps | None = None
    place: str = ""
    says: str = ""

    @property
    def limits(self) -> Interval:
        """The voltages that it may have: its range, or else its tolerance."""
        return self.range or Interval(self.volts.low, self.volts.high)


class Rail(Named):
    """A net that should sit at a voltage when a source of it is up (and `on_when` holds, for a switched one)."""

    net: str = Field(description="the net that it is")
    sources: OneOrMore = Field(alias="from", description="the supply, rail or net that feeds it")
    volts: VoltsValue | None = None
    range: VoltsLimits | None = None
    on_when: dict[str, Level] = Field(default_factory=dict)
    place: str = ""
    says: str = ""

    @property
    def limits(self) -> Interval | None:
        """The voltages that the file allows; None where it leaves them to the circuit."""
        if self.range is not None:
            return self.range
        return Interval(self.volts.low, self.volts.high) if self.volts else None


class LevelTable(Table):
    """Thresholds written on the line itself."""

    low: VoltsLimits = Field(description='what reads as low, such as "< 0.8 V"')
    high: VoltsLimits = Field(description='what reads as high, such as "> 2.0 V"')


def _levels_shape(found: object) -> str:
    return "table" if isinstance(found, dict | LevelTable) else "name"


Levels = Annotated[
    Annotated[str, Tag("name")] | Annotated[LevelTable, Tag("table")],
    Discriminator(_levels_shape),
]


class Line(Named):
    """A control net. `when`: its level in each state; "boot" is after power-on with every processor pin released.

    levels: the name of a level standard (levels.toml) or thresholds of its own; rail: the rail that the standard's
    fractions refer to, where the driver's own does not say; needs: supplies and rails that the levels depend on.
    """

    net: str = Field(description="the net that it is")
    levels: Levels = Field(description='a level standard, such as "lvcmos-3v3"')
    driven_by: str | None = None
    when: dict[str, Level] = Field(default_factory=dict)
    needs: OneOrMore = ()
    rail: str | None = None
    bus: Literal["i2c"] | None = None
    bus_capacitance: Farads | None = None
    bus_rate: Hertz | None = None
    place: str = ""
    says: str = ""


class Point(Named):
    net: str = Field(description="the net that it reaches")
    place: str = ""
    says: str = ""


class Link(Named):
    baud: int = Field(115200, gt=0, le=20_000_000)
    place: str = ""
    says: str = ""


class PinCommand(Table):
    """How the firmware is asked to move a pin: {pin} and {level} ("high", "low", "off") are filled in."""

    send: str = Field(description="the command, with {pin} and {level}")
    reply: Pattern = ""


class Answer(Table):
    """What the firmware answers to `ask`: `reply` while every need holds, `otherwise` when not.

    needs: net -> volts that it must have; measures: a net whose voltage, times `times`, is {volts} in the reply.
    """

    ask: str = Field(description="the command")
    reply: str = Field(description="the answer")
    needs: dict[str, VoltsLimits] = Field(default_factory=dict)
    otherwise: str = ""
    measures: str | None = None
    times: float = 1.0


class Stream(Table):
    """Bytes that the firmware sends on request, at a rate."""

    ask: str = Field(description="the command")
    bytes: int = Field(gt=0, description="how many bytes come")
    rate: BytesPerSecond = Field(description='how fast, such as "10 kB/s"')


class Target(Table):
    """How the firmware on the board behaves, for the virtual bench, and how it is asked to move pins, for any bench."""

    part: str = Field(description="the part that it runs on")
    link: str = "console"
    rail: str = Field(description="the rail that it runs from")
    above: Volts = Field(description='the voltage from which it runs, such as "2.6 V"')
    reset: str | None = None
    boot_time: Seconds = 0.0
    boot_log: Names = ()
    prompt: str = ""
    pin_command: PinCommand | None = None
    answers: Annotated[tuple[Answer, ...], BeforeValidator(as_tuple)] = ()
    streams: Annotated[tuple[Stream, ...], BeforeValidator(as_tuple)] = ()


class Board(Table):
    """A design. Its `parts` are checked against the circuit's kinds and are the circuit's own Part objects."""

    board: BoardHead = Field(description="the table [board] with name and revision")
    supplies: dict[str, Supply] = Field(min_length=1, description="at least one [supplies.NAME]")
    rails: dict[str, Rail] = Field(default_factory=dict)
    lines: dict[str, Line] = Field(default_factory=dict)
    points: dict[str, Point] = Field(default_factory=dict)
    links: dict[str, Link] = Field(default_factory=dict)
    target: Target | None = None
    _parts: dict[str, Part] = PrivateAttr(default_factory=dict)
    _notes: dict[str, PartNote] = PrivateAttr(default_factory=dict)
    _file: str = PrivateAttr("")
    _text: str = PrivateAttr("")

    def comes_from(self, file: str, text: str, parts: Mapping[str, Part], notes: Mapping[str, PartNote]) -> None:
        """What the loader knows beside the tables: where the board was read, and its parts."""
        self._file, self._text = file, text
        self._parts, self._notes = dict(parts), dict(notes)

    def model_post_init(self, _context: object) -> None:
        for tables in (self.supplies, self.rails, self.lines, self.points, self.links):
            give_names(tables)

    @property
    def name(self) -> str:
        return self.board.name

    @property
    def revision(self) -> str:
        return self.board.revision

    @property
    def ground(self) -> str:
        return self.board.ground

    @property
    def adjacent(self) -> tuple[tuple[str, str], ...]:
        """Pairs of nets where a solder bridge could join them."""
        return self.board.adjacent

    @property
    def parts(self) -> Mapping[str, Part]:
        return self._parts

    def note(self, part: str) -> PartNote:
        """Place, remark and variants of a part: what the file says beyond the circuit's needs."""
        return self._notes.get(part, PartNote())

    @property
    def file(self) -> str:
        """The path that it was read from."""
        return self._file

    @property
    def text(self) -> str:
        """The file's text, to be kept with a run."""
        return self._text

    @property
    def digest(self) -> str:
        """SHA-256 of the file's text, hexadecimal: tells one state of a board file from another."""
        return hashlib.sha256(self._text.encode()).hexdigest()

    @property
    def nets(self) -> frozenset[str]:
        """Every net that the file names."""
        return frozenset(self._nets())

    def _nets(self) -> Iterator[str]:
        yield self.ground
        for tables in (self.supplies, self.rails, self.lines, self.points):
            for table in tables.values():
                yield table.net
        for part in self.parts.values():
            yield from part.pins.values()

    def net_of(self, name: str) -> str:
        """The net behind the name of a supply, rail, line, point or net, or a pin "PART.PIN". Raises UnknownName."""
        for tables in (self.supplies, self.rails, self.lines, self.points):
            if name in tables:
                return str(tables[name].net)
        if name in self.nets:
            return name
        part, _, pin = name.partition(".")
        if part in self.parts and pin in self.parts[part].pins:
            return self.parts[part].pins[pin]
        known = [*self.supplies, *self.rails, *self.lines, *self.points, *self.nets]
        raise UnknownName(name, nearest(name, known))

    def points_on(self, net: str) -> list[str]:
        """The names of the points that reach a net, in the file's order."""
        return [name for name, point in self.points.items() if point.net == net]

    def has_point(self, net: str) -> bool:
        """Whether a probe gets to a net: at one of its points, or at the connector of a supply."""
        return bool(self.points_on(net)) or any(supply.net == net for supply in self.supplies.values())

    def names_on(self, net: str) -> list[str]:
        """The supplies, rails and lines that are this net."""
        tables: list[Mapping[str, Supply | Rail | Line]] = [self.supplies, self.rails, self.lines]
        return [name for each in tables for name, table in each.items() if table.net == net]

    def supplies_of(self, rail: str) -> frozenset[str]:
        """The supplies from which a rail can be fed, through the rails (or nets) that it names."""
        return frozenset(self._feeding(rail, frozenset()))

    def _feeding(self, name: str, seen: frozenset[str]) -> Iterator[str]:
        if name in self.supplies:
            yield name
        elif name not in seen:
            for source in self._sources(name):
                yield from self._feeding(source, seen | {name})

    def _sources(self, name: str) -> Iterator[str]:
        if name in self.rails:
            yield from self.rails[name].sources
        else:  # a net: whatever stands on it
            yield from (each for each in self.names_on(name) if each != name)
