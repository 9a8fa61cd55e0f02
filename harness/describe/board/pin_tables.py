"""Pin tables of processors: what a pin does besides being a pin (sequences/pins/*.toml, or a file beside the board)."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakeboard.harness.describe.problems import FileProblems, Problem, nearest, one_of
from wakeboard.harness.describe.toml.document import read_named
from wakeboard.instruments.quantity import QuantityError, parse

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.board.parts import PartNote
    from wakeboard.instruments.virtual.circuit.part import Part

PIN_KEYS = (
    "type", "boot", "reserved_by", "debug", "strap", "pull_up", "pull_down", "drives", "max", "selectable_pull",
    "five_volt",
)  # fmt: skip


@dataclass(frozen=True)
class PinFacts:
    """One pin: type, what reserves it by option, its debug function, the level it must have at reset as a strap."""

    type: str = "io"
    reserved_by: Mapping[str, str] = field(default_factory=dict)
    debug: str = ""
    strap: str | None = None
    strap_says: str = ""
    most: float | None = None
    """A that it may drive."""
    five_volt: bool = False
    """Stands 5 V while the chip is powered."""


Way = Mapping[str, tuple[str, ...]]
"""One way to lead a port out: signal -> the pins that it may be on."""


@dataclass(frozen=True)
class PinTable:
    name: str
    source: str
    every: PinFacts
    pins: Mapping[str, PinFacts]
    boots: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    starts: str = ""
    packages: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    ports: Mapping[str, tuple[Way, ...]] = field(default_factory=dict)
    """I2C1, UART2, …: the ways to lead it out, of which one is in force."""
    fixed: frozenset[str] = frozenset()
    """Pins of the packages on which no function can be: supplies, reset, a strap of its own. Empty: not known."""

    def name_of(self, pin: str, package: str) -> str:
        """A pin's name by its number in a package; the name itself where it is none."""
        order = self.packages.get(package, ())
        return order[int(pin) - 1] if pin.isdecimal() and 1 <= int(pin) <= len(order) else pin

    def free(self, package: str) -> list[str]:
        """The pins of a package on which a function can be; of every package that is known where none is named. Empty
        where the table does not say which of them are fixed."""
        if not self.fixed:
            return []
        orders = [self.packages[package]] if package in self.packages else list(self.packages.values())
        first = orders[0] if orders and (not package or package in self.packages) else ()
        return [pin for pin in first if pin not in self.fixed and all(pin in order for order in orders)]

    def pin(self, name: str) -> PinFacts:
        return self.pins.get(name, self.every)


def pin_facts(board: Board) -> Iterator[tuple[Part, str, PinFacts]]:
    """(part, pin, facts) of every pin of every part that names a pin table. Raises FileProblems."""
    for part in board.parts.values():
        note = board.note(part.name)
        if note.pin_table:
            table = table_of(board, note)
            for pin in part.pins:
                yield part, pin, table.pin(name_in_table(table, note, pin))


def table_of(board: Board, note: PartNote) -> PinTable:
    """The pin table that a part names. Raises FileProblems."""
    return load_pin_table(note.pin_table, str(Path(board.file).parent))


def name_in_table(table: PinTable, note: PartNote, pin: str) -> str:
    return note.aliases.get(pin) or table.name_of(pin, note.package)


def boots_of(board: Board, part: Part) -> tuple[Mapping[str, Mapping[str, str]], str]:
    """How a part starts by the levels of its straps, in its own pins' names, and how it should. Raises FileProblems."""
    note = board.note(part.name)
    if note.boots or not note.pin_table:
        return note.boots, note.starts or next(iter(note.boots), "")
    table = table_of(board, note)
    own = {name_in_table(table, note, pin): pin for pin in part.pins}
    boots = {
        name: {own[pin]: level for pin, level in straps.items() if pin in own} for name, straps in table.boots.items()
    }
    return boots, note.starts or table.starts


def packaged() -> list[str]:
    """The names of the tables that come with the package."""
    folder = resources.files("wakeboard.sequences").joinpath("pins")
    return sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))


@functools.cache
def load_pin_table(name: str, beside: str) -> PinTable:
    """A packaged table by name, or a TOML file beside the board. Raises FileProblems for what is wrong in it."""
    own = Path(beside) / name
    if name.endswith(".toml") and own.exists():
        document = read_named(own)
        if document.problems:
            raise FileProblems(document.problems)
        return _table(str(own), document.data)
    if name.endswith(".toml"):
        file, text = str(own), None
    else:
        found = resources.files("wakeboard.sequences").joinpath("pins", f"{name}.toml")
        file, text = f"{name}.toml", found.read_text(encoding="utf-8") if found.is_file() else None
    if text is None:
        hint = nearest(name, packaged())
        raise FileProblems([Problem(file, 1, "pin_table", f'the pin table "{name}"', one_of(packaged(), 20), hint)])
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileProblems([Problem(file, 1, "", str(error), "a TOML file")]) from None
    return _table(file, raw)


def _table(file: str, raw: Mapping[str, Any]) -> PinTable:
    problems: list[Problem] = []
    every = _facts(file, "every", raw.get("every", {}), problems)
    pins = {name: _facts(file, f"pins.{name}", entry, problems) for name, entry in raw.get("pins", {}).items()}
    boots = _boots(file, raw, pins, problems)
    packages = {name: tuple(str(order).split()) for name, order in raw.get("packages", {}).items()}
    ports = _ports(file, raw, problems)
    fixed = str(raw.get("fixed", "")).split()
    known = {pin for order in packages.values() for pin in order}
    problems += [
        Problem(file, 1, "fixed", repr(pin), one_of(sorted(known), 60), nearest(pin, known))
        for pin in fixed
        if pin not in known
    ]
    if problems:
        raise FileProblems(problems)
    return PinTable(
        str(raw.get("name", file)), str(raw.get("source", "")), every, pins, boots,
        str(raw.get("starts", next(iter(boots), ""))), packages, ports, frozenset(fixed),
    )  # fmt: skip


def _ports(file: str, raw: Mapping[str, Any], problems: list[Problem]) -> dict[str, tuple[Way, ...]]:
    found: dict[str, tuple[Way, ...]] = {}
    for name, ways in dict(raw.get("ports", {})).items():
        rows = ways if isinstance(ways, list) else [ways]
        good = all(isinstance(row, dict) and row and all(_is_pins(pins) for pins in row.values()) for row in rows)
        if not good or not rows:
            problems.append(Problem(file, 1, f"ports.{name}", repr(ways), '[{ SCL = "PB6", SDA = "PB7" }, …]'))
            continue
        found[name] = tuple({str(s): (p,) if isinstance(p, str) else tuple(p) for s, p in row.items()} for row in rows)
    return found


def _is_pins(found: object) -> bool:
    members = found if isinstance(found, list) else [found]
    return bool(members) and all(isinstance(each, str) and each for each in members)


def _boots(
    file: str, raw: Mapping[str, object], pins: Mapping[str, PinFacts], problems: list[Problem]
) -> dict[str, dict[str, str]]:
    found = raw.get("boots", {})
    if not isinstance(found, dict) or not all(isinstance(straps, dict) for straps in found.values()):
        problems.append(Problem(file, 1, "boots", repr(found), '{ flash = { BOOT0 = "low" } }'))
        return {}
    for name, straps in found.items():
        for pin, level in straps.items():
            if pin not in pins:
                problems.append(
                    Problem(file, 1, f"boots.{name}.{pin}", repr(pin), one_of(pins, 40), nearest(pin, pins))
                )
            elif level not in ("low", "high"):
                problems.append(Problem(file, 1, f"boots.{name}.{pin}", repr(level), '"low" or "high"'))
    return found


def _facts(file: str, key: str, entry: object, problems: list[Problem]) -> PinFacts:
    if not isinstance(entry, dict):
        problems.append(Problem(file, 1, key, repr(entry), "a table"))
        return PinFacts()
    for word in entry:
        if word not in PIN_KEYS:
            hint = nearest(word, PIN_KEYS)
            problems.append(Problem(file, 1, f"{key}.{word}", f"the unknown key {word!r}", one_of(PIN_KEYS, 20), hint))
    strap = entry.get("strap", {})
    level = strap.get("level") if isinstance(strap, dict) else strap
    if level not in (None, "low", "high"):
        problems.append(Problem(file, 1, f"{key}.strap.level", repr(level), '"low" or "high"'))
    reserved = entry.get("reserved_by", {})
    if not isinstance(reserved, dict):
        problems.append(Problem(file, 1, f"{key}.reserved_by", repr(reserved), '{ option = "what for" }'))
        reserved = {}
    if entry.get("strap") and entry.get("drives"):
        problems.append(
            Problem(file, 1, key, "a strap that the pin itself drives", "either `strap` or `drives`: they contradict")
        )
    says = str(strap.get("says", "")) if isinstance(strap, dict) else ""
    five_volt = bool(entry.get("five_volt", False))
    most = None
    try:
        most = parse(entry["max"], "A") if "max" in entry else None
    except QuantityError as error:
        problems.append(Problem(file, 1, f"{key}.max", error.found, error.allowed))
    return PinFacts(str(entry.get("type", "io")), reserved, str(entry.get("debug", "")), level, says, most, five_volt)
