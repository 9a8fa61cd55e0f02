"""One part for another out of the part book: which pin goes where, what has no counterpart, what comes and goes.

    swap = swapped(board, "U8", entry)      raises FileProblems
    swap.change                             for a plan; what it needs besides is in swap.told, in sentences
    swap.measure                            what the new part's entry is silent about: (pin or key, what to measure)

The change is judged like any other. Levels and ratings that the circuit knows are told there; here is what a person
sees who lays two data sheets side by side.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.describe.problems import FileProblems, Problem, nearest, one_of, quoted
from wakeboard.harness.revise.plan import Change
from wakeboard.harness.revise.swap.counterparts import Pair, counterparts
from wakeboard.harness.revise.swap.differences import differences, net_volts
from wakeboard.instruments.quantity import QuantityError, parse, show
from wakeboard.instruments.virtual.circuit.part import GROUNDS
from wakeboard.instruments.virtual.circuit.parts import kind_of

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.drawings.parts.book import Book, Entry
    from wakeboard.instruments.virtual.circuit.part import Part

_ATTENDANTS: Final = ("resistor", "capacitor", "inductor", "diode", "schottky", "unmodelled")
"""What may stand beside a chip for its own sake."""
_LETTERS: Final = {"resistor": "R", "capacitor": "C", "inductor": "L", "diode": "D", "schottky": "D", "zener": "D"}
_READ: Final = ("input", "io", "open_drain")


@dataclass(frozen=True)
class Swap:
    """pairs: pins that go on; lost: the old part's pins without a counterpart and their nets; open: the new part's pins
    that nothing leads to; goes: parts that are then without a purpose; comes: parts that the new one needs; differs:
    levels, drivers and supplies on the nets that both have."""

    change: Change
    part: str
    entry: str
    pairs: list[Pair]
    lost: list[tuple[str, str]]
    open: list[str]
    goes: list[str]
    comes: list[str]
    supplies: list[str]
    differs: list[str] = field(default_factory=list)
    measure: list[tuple[str, str]] = field(default_factory=list)

    @property
    def told(self) -> Iterator[str]:
        """For a person, in the order of what matters."""
        yield from (f"{each.old} becomes {each.new}: {each.why}" for each in self.pairs if each.old != each.new)
        same = [each.old for each in self.pairs if each.old == each.new]
        if same:
            yield f"stay: {', '.join(same)}"
        yield from (f"{pin} has no counterpart: {net} loses it" for pin, net in self.lost)
        yield from (f"{pin} of {self.entry} is left open: give it a net" for pin in self.open)
        yield from self.supplies
        yield from self.differs
        yield from (f"goes: {each}" for each in self.goes)
        yield from (f"comes: {each}" for each in self.comes)
        yield from (f"the entry does not say {what}: measure it first" for _, what in self.measure)


def entry_named(book: Book, name: str, board: Board) -> Entry:
    """The entry of that name, or the first whose patterns fit it as a part number. Raises FileProblems."""
    from wakeboard.harness.drawings.design import DrawnPart

    entries = {each.name: each for each in reversed(book.entries)}
    if name in entries:
        return entries[name]
    for each in book.entries:
        if each.names(DrawnPart(name, number=name)):
            return each
    raise FileProblems([Problem(board.file, 0, "part book", quoted(name), one_of(entries, 30), nearest(name, entries))])


def swapped(board: Board, name: str, entry: Entry) -> Swap:
    """Raises FileProblems for a part that the board has not."""
    if name not in board.parts:
        raise FileProblems(
            [
                Problem(
                    board.file,
                    0,
                    "parts",
                    f"no part {quoted(name)}",
                    one_of(board.parts, 15),
                    nearest(name, board.parts),
                )
            ]
        )
    part = board.parts[name]
    new_pins = list(dict.fromkeys(entry.pins.values())) + [
        pin for pin in entry.beyond_inductor if pin not in entry.pins
    ]
    pairs = counterparts(part.pins, new_pins)
    pins = {each.new: part.pins[each.old] for each in pairs}
    taken = {each.old for each in pairs}
    lost = [(f"{name}.{pin}", net) for pin, net in part.pins.items() if pin not in taken]
    pins |= {pin: f"{name}_{pin}" for each in entry.needs for pin in each["pins"] if pin not in pins}
    open_pins = [pin for pin in new_pins if pin not in pins]
    table = _table(entry, pins, part)
    add = _beside(board, entry, pins)
    goes = _without_purpose(board, name, {net for _, net in lost} - set(pins.values()))
    do = tuple(f"{each}:missing" for each in goes)
    change = Change(title=f"{name}: {entry.name} instead of {_called(part)}", do=do, swap={name: table}, add=add)
    told = [f"{each} ({_called(board.parts[each])} on {', '.join(board.parts[each].pins.values())})" for each in goes]
    return Swap(
        change=change,
        part=name,
        entry=entry.name,
        pairs=pairs,
        lost=lost,
        open=open_pins,
        goes=told,
        comes=list(_comes(entry, add)),
        supplies=list(_supplies(board, entry, pins)),
        differs=list(differences(board, name, entry, pairs)),
        measure=list(_silent(entry, name, pins)),
    )


def _called(part: Part) -> str:
    main = kind_of(part).main
    value = part.values.get(main or "")
    unit = kind_of(part).values[main].unit if main else ""
    if part.kind == "chip":
        return "the chip that is drawn"
    return f"{part.kind} {show(value, unit)}" if isinstance(value, int | float) else part.kind


def _table(entry: Entry, pins: Mapping[str, str], part: Part) -> dict[str, object]:
    """The new part as a board file has it. What the entry leaves open (a regulator's volts) is the old part's."""
    table: dict[str, Any] = {"kind": entry.kind, "pins": dict(pins)}
    for key, value in entry.table.items():
        nested = key in ("io", "supply") and isinstance(value, dict)
        table[key] = {pin: row for pin, row in value.items() if pin in pins} if nested else value
    if entry.kind == "chip":  # a pin of which nothing is known still leaks
        known = {*GROUNDS, *table.get("supply", {}), *table.get("io", {})}
        table["io"] = {**table.get("io", {}), **{pin: {"type": "analog"} for pin in pins if pin not in known}}
    main = kind_of(part).main
    if part.kind == entry.kind and main and main not in table and isinstance(part.values.get(main), int | float):
        table[main] = show(part.values[main], kind_of(part).values[main].unit, 6)
    return table


def _without_purpose(board: Board, name: str, nets: set[str]) -> list[str]:
    """Parts with two pins on the nets that the old part leaves, and to which nothing but such parts leads then."""
    rails = {row.net for table in (board.supplies, board.rails) for row in table.values()} | {board.ground}
    free = nets - rails
    found: list[str] = []
    for net in sorted(free):
        on_it = [each for each in board.parts.values() if net in each.pins.values() and each.name != name]
        if on_it and all(each.kind in _ATTENDANTS and len(each.pins) == 2 for each in on_it):
            ends = {far for each in on_it for far in each.pins.values()} - free
            if ends <= rails:
                found += [each.name for each in on_it if each.name not in found]
    return found


def _beside(board: Board, entry: Entry, pins: Mapping[str, str]) -> dict[str, object]:
    """The parts that the entry needs beside it, by new names."""
    found: dict[str, object] = {}
    for each in entry.needs:
        letter = _LETTERS.get(each["kind"], "X")
        used = [int(name[1:]) for name in (*board.parts, *found) if name[:1] == letter and name[1:].isdigit()]
        nets = [pins[pin] for pin in each["pins"]]
        table = {key: value for key, value in each.items() if key not in ("pins", "says")}
        table["pins"] = dict(enumerate(nets, 1)) if each["kind"] == "unmodelled" else nets
        found[f"{letter}{max(used, default=0) + 1}"] = table
    return found


def _comes(entry: Entry, add: Mapping[str, Any]) -> Iterator[str]:
    for (name, table), each in zip(add.items(), entry.needs, strict=True):
        what = f"{table['kind']} {table.get('value', '')}".strip()
        yield f"{name} ({what} between {' and '.join(each['pins'])})" + (
            f": {each['says']}" if each.get("says") else ""
        )


def _supplies(board: Board, entry: Entry, pins: Mapping[str, str]) -> Iterator[str]:
    """What the new part's supply pins ask for and their rails have not."""
    most = _number(dict(entry.table.get("max", {})).get("voltage"))
    for pin, asked in dict(entry.table.get("supply", {})).items():
        net = pins.get(pin)
        volts = net_volts(board, net) if net else None
        least = _number(asked.get("above"))
        if net is None:
            yield f"{pin} of {entry.name} needs a supply"
        elif volts is not None and most is not None and volts > most:
            yield f"{pin} would be on {net} at {show(volts, 'V')}, above its maximum of {show(most, 'V')}"
        elif volts is not None and least is not None and volts < least:
            yield f"{pin} would be on {net} at {show(volts, 'V')}, below the {show(least, 'V')} that it needs"


def _number(text: object) -> float | None:
    try:
        return parse(str(text).split("±")[0].strip(), "V") if text is not None else None
    except QuantityError:
        return None


def _silent(entry: Entry, name: str, pins: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """(net, what) that neither entry nor circuit knows of the new part."""
    for pin, row in dict(entry.table.get("io", {})).items():
        told = {"pulls", "pull_up", "pull_down"} & set(row)
        if pin in pins and row.get("type", "io") in _READ and not told:
            yield pins[pin], f"whether {name}.{pin} hides a pull"
    if entry.kind == "chip" and "voltage" not in dict(entry.table.get("max", {})):
        yield "", f"how much {name} stands"
    for pin, row in dict(entry.table.get("supply", {})).items():
        if pin in pins and "draws" not in row:
            yield pins[pin], f"what {name}.{pin} draws"


# --- what to measure first ------------------------------------------------------------------------------------------
def first_measured(board: Board, swap: Swap) -> str:
    """A sequence for a test board with the new part on it: what its data sheet does not say. "" for nothing."""
    silent = list(dict.fromkeys(net for net, _ in swap.measure if net))
    if not silent or not board.supplies:
        return ""
    probed = {point.net for point in board.points.values()} | {supply.net for supply in board.supplies.values()}
    nets = [net for net in silent if net in probed]
    wires = [net for net in silent if net not in probed]
    lines = [name for name, line in board.lines.items() if line.net in nets]
    plain = [net for net in nets if net not in {board.lines[name].net for name in lines}]
    rows = [
        f"# What the part book does not say of {swap.entry} as {swap.part}, measured first, on one test board:",
        *(f"#   {what}" for _, what in swap.measure),
        *(f"# No point reaches {net}: solder a wire to it, write it as a point of the board, and add it below."
          for net in wires),
        "# CAUTION. Every limit here is a guess: set it. A current limit does not make a short safe.",
        f'title = "{swap.part} as {swap.entry}, first"', 'board = "board.toml"', "",
        "# Unpowered: a pull shows as ohms to its rail's capacitors, a clamp as a knee.",
        *_step("resistance", of="every supply"), *(_step("resistance", of=nets) if nets else []),
    ]  # fmt: skip
    for supply in board.supplies:
        rows += [*_step("power on", supply=supply, limit="50 mA", ramp="0.5 V every 20 ms")]
        rows += _step("line", of=lines, state="boot", second_load="always") if lines else []
        rows += _step("volts", of=plain) + _step("volts", of=plain, load=True) if plain else []
        rows += _step("power off", supply=supply)
    return "\n".join([*rows, ""])


def _step(do: str, **keys: object) -> list[str]:
    from wakeboard.harness.drawings.boardfile.draft import toml

    return ["", "[[step]]", f'do = "{do}"', *(f"{key} = {toml(value)}" for key, value in keys.items())]


def costs(files: Sequence[str], swap: Swap, entry: Entry, number: str) -> str:
    """What lists of parts, or the part book, say of the price, as a sentence; "" where they say none. number: what the
    new part is called in a list. Raises FileProblems."""
    from wakeboard.harness.drawings.readers import read
    from wakeboard.harness.drawings.source import opened

    prices: dict[str, float] = {}
    for file in files:
        design = read(opened(file))
        for drawn in design.parts.values():
            if drawn.price is not None:
                for key in filter(None, (drawn.name, drawn.value, drawn.number)):
                    prices.setdefault(key.casefold(), drawn.price)
    old, new = prices.get(swap.part.casefold()), prices.get(number.casefold(), entry.price)
    if old is None or new is None:
        missing = [text for text, price in ((swap.part, old), (number, new)) if price is None]
        return f"no price of {' and '.join(missing)} in the list" if prices else ""
    gone = sum(prices.get(each.partition(":")[0].casefold(), 0.0) for each in swap.change.do)
    saved = old + gone - new
    beside = f" and {gone:.4g} of what goes" if gone else ""
    return f"costs {abs(saved):.4g} {'less' if saved >= 0 else 'more'} a board: {new:.4g} for {old:.4g}{beside}"


__all__ = ["Swap", "costs", "entry_named", "first_measured", "swapped"]
