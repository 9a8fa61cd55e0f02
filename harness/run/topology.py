"""What the board file says about names: which nets a list means, which rails should be up, which lines have power."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.run.errors import Refused

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board, Line

On = Mapping[str, tuple[float, float]]
Pins = Mapping[str, str]


def nets(board: Board, of: Iterable[str]) -> list[str]:
    """The nets that a list of names means: names of anything, "every supply", "every rail", … or "all"."""
    found: list[str] = []
    for name in of:
        tables = _group(board, name)
        if tables is None:
            found.append(board.net_of(name))
        else:
            found += [entry.net for table in tables for entry in table.values()]
    return list(dict.fromkeys(found))


_GROUPS: Final = {
    "every supply": ("supplies",),
    "every rail": ("rails",),
    "every line": ("lines",),
    "every point": ("points",),
    "all": ("supplies", "rails"),
}


def is_group(word: str) -> bool:
    """Whether a word in `of` stands for all of a kind."""
    return word in _GROUPS


def _group(board: Board, word: str) -> list[Mapping[str, Any]] | None:
    return [getattr(board, table) for table in _GROUPS[word]] if word in _GROUPS else None


def lines(board: Board, of: Iterable[str]) -> list[Line]:
    """The lines that a list of names means."""
    found: dict[str, Line] = {}
    for name in of:
        if name in ("all", "every line"):
            found.update(board.lines)
        elif name in board.lines:
            found[name] = board.lines[name]
        else:
            raise Refused(f'the board has no line "{name}"')
    return list(found.values())


def power_nets(board: Board) -> list[str]:
    """The nets of all supplies and rails."""
    return list(dict.fromkeys(entry.net for table in (board.supplies, board.rails) for entry in table.values()))


def total_farads(board: Board) -> float:
    """All capacitors of the board together: more than any supply has to charge, which is the careful side."""
    return sum(float(part.values["value"]) for part in board.parts.values() if part.kind == "capacitor")


def is_up(board: Board, rail: str, on: On, pins: Pins) -> bool:
    """Whether a rail should be up: its pins are driven as `on_when` says, and a source of it is on or up itself."""
    return _is_up(board, rail, on, pins, frozenset())


def _is_up(board: Board, name: str, on: On, pins: Pins, seen: frozenset[str]) -> bool:
    if name in on:
        return True
    if name in seen:
        return False
    entry = board.rails.get(name)
    if entry is None:  # a net: whatever stands on it
        return any(_is_up(board, each, on, pins, seen | {name}) for each in board.names_on(name) if each not in seen)
    if any(pins.get(pin) != level for pin, level in entry.on_when.items()):
        return False
    return any(_is_up(board, source, on, pins, seen | {name}) for source in entry.sources)


def should_be_off(board: Board, of: Iterable[str], on: On, pins: Pins) -> tuple[dict[str, str], dict[str, str]]:
    """(supplies, rails) among those named that should be off, each with its net; never a net that should be up."""
    live = {board.supplies[name].net for name in on}
    live |= {rail.net for name, rail in board.rails.items() if is_up(board, name, on, pins)}
    wanted = set(of)
    every = "all" in wanted
    supplies = {
        name: supply.net
        for name, supply in board.supplies.items()
        if supply.net not in live and (every or name in wanted or "every supply" in wanted)
    }
    rails = {
        name: rail.net
        for name, rail in board.rails.items()
        if rail.net not in live and (every or name in wanted or "every rail" in wanted)
    }
    return supplies, rails


def line_is_powered(board: Board, line: Line, on: On, pins: Pins) -> bool:
    """Whether the rail that a line's levels refer to should be up; True where the file does not tell which it is."""
    rail = _rail_of(board, line)
    return True if rail is None else is_up(board, rail, on, pins)


def _rail_of(board: Board, line: Line) -> str | None:
    if line.rail is not None:
        return line.rail
    from wakeboard.harness.describe.board.levels import supply_net

    part, _, pin = (line.driven_by or "").partition(".")
    if part in board.parts:
        return supply_net(board.parts[part], pin)
    return None
