"""What a step may name, and what must have happened before it.

The order of steps is played through on paper: which supplies are on, which were checked for a short. Refused are an
energising step without a current limit, one whose supply was not checked for a short before (unless it says `why`),
an unpowered measurement with a supply on, and a powered one with none.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from wakeboard.harness.describe.board import Board
from wakeboard.harness.describe.document import Document, key_text
from wakeboard.harness.describe.positions import Path
from wakeboard.harness.describe.problems import nearest, one_of, quoted

POWER_ON, POWER_OFF, RESISTANCE = "power on", "power off", "resistance"
_NEED_POWER = ("isolation", "rails", "line", "drive", "talk", "transfer", "current", "probe")
_EVERY = {"every supply": "supplies", "every rail": "rails", "every line": "lines", "every point": "points"}
_OF = {
    RESISTANCE: ("supplies", "rails", "lines", "points", "nets"),
    "isolation": ("supplies", "rails"),
    "rails": ("rails",),
    "line": ("lines",),
    "drive": ("lines",),
}


def check_sequence(tables: list[dict[str, Any]], document: Document, board: Board) -> None:
    """Add what does not fit together in a sequence for this board."""
    play = _Play(document, board)
    for index, table in enumerate(tables):
        names = _Names(document, board, index, table)
        names.check()
        play.step(index, table)


class _Names:
    """The names that one step uses."""

    def __init__(self, document: Document, board: Board, index: int, table: dict[str, Any]) -> None:
        self.document = document
        self.board = board
        self.path: Path = ("step", index)
        self.table = table
        self.do = table.get("do")

    def check(self) -> None:
        target = self.board.target
        self._each("supply", "supply", self.board.supplies)
        self._each("link", "link", self.board.links)
        self._each("stream", "stream", [stream.ask for stream in target.streams] if target else [])
        self._each("point", "point", {*self.board.points, *self.board.nets})
        self._of()
        self._means()
        self._pin()
        self._state()

    def _each(self, key: str, what: str, known: Iterable[str]) -> None:
        found = self.table.get(key)
        for place, name in _members((key,), found):
            self._known(place, what, name, known)

    def _known(self, place: Path, what: str, name: Any, known: Iterable[str], more: str = "") -> None:
        names = list(known)
        if isinstance(name, str) and name not in names:
            self.document.add(
                (*self.path, *place), f"the {what} {quoted(name)}", more + one_of(names, 20), nearest(name, names)
            )

    def _of(self) -> None:
        groups = _OF.get(str(self.do), ("supplies", "rails", "lines", "points", "nets"))
        every = [word for word, table in _EVERY.items() if table in groups]
        known = [name for group in groups for name in getattr(self.board, group)]
        for place, name in _members(("of",), self.table.get("of")):
            if name == "all" or name in every:
                continue
            more = " or ".join(map(quoted, every)) + ", " if every else ""
            self._known(place, "name", name, known, more)
            if self.do == "drive" and name in self.board.lines and self.board.lines[name].driven_by is None:
                self.document.add((*self.path, *place), f"{quoted(name)}, which no pin drives", "a line with driven_by")

    def _means(self) -> None:
        """What the board must have for this kind of step at all."""
        target = self.board.target
        place = (*self.path, "do")
        if self.do in ("talk", "drive") and not self.board.links:
            self.document.add(
                place, f"{quoted(self.do)} on a board without [links]", "a board file with [links.console]"
            )
        elif self.do == "drive" and (target is None or target.pin_command is None):
            self.document.add(
                place, '"drive" on a board that says no pin command', "a board file with [target.pin_command]"
            )

    def _pin(self) -> None:
        pin = self.table.get("pin")
        if not isinstance(pin, str) or not self.board.parts:
            return
        pins = [
            f"{part.name}.{each}" for part in self.board.parts.values() if part.kind == "chip" for each in part.pins
        ]
        self._known(("pin",), "pin", pin, pins)

    def _state(self) -> None:
        state = self.table.get("state")
        named = [name for _, name in _members(("of",), self.table.get("of"))]
        lines = [self.board.lines[name] for name in named if name in self.board.lines] or list(
            self.board.lines.values()
        )
        self._known(("state",), "state", state, sorted({each for line in lines for each in line.when}))


def _members(path: Path, found: Any) -> list[tuple[Path, str]]:
    """The names in a name or a list of names, each with its path; what is no name is the step model's to refuse."""
    members = (
        [((*path, index), name) for index, name in enumerate(found)] if isinstance(found, list) else [(path, found)]
    )
    return [(place, name) for place, name in members if isinstance(name, str)]


class _Play:
    """The sequence played through on paper."""

    def __init__(self, document: Document, board: Board) -> None:
        self.document = document
        self.board = board
        self.on: set[str] = set()
        self.checked: set[str] = set()

    def step(self, index: int, table: dict[str, Any]) -> None:
        do, path = table.get("do"), ("step", index)
        if do == RESISTANCE:
            if self.on:
                self._add((*path, "do"), f"{quoted(do)} while {_and(self.on)} is on", 'a "power off" step before it')
            self.checked |= self._covered(table.get("of", "every supply"))
        elif do == POWER_ON:
            self._power_on(path, table)
        elif do == POWER_OFF:
            self._power_off(path, table)
        elif do in _NEED_POWER and not self.on:
            self._add((*path, "do"), f"{quoted(do)} with no supply on", 'a "power on" step before it')

    def _power_on(self, path: Path, table: dict[str, Any]) -> None:
        if "limit" not in table:
            self._add((*path, "limit"), "no current limit", 'limit = "120 mA"; nothing is energised without one')
        for _, supply in _members((), table.get("supply")):
            if supply in self.on:
                self._add((*path, "supply"), f"{quoted(supply)}, which is on already", "a supply that is off")
            elif supply in self.board.supplies and supply not in self.checked and not table.get("why"):
                self._add(
                    (*path, "supply"),
                    f"{quoted(supply)} energised before its check for a short",
                    f'a "{RESISTANCE}" step of {quoted(supply)} before it, or why = "…"',
                )
            self.on.add(supply)

    def _power_off(self, path: Path, table: dict[str, Any]) -> None:
        named = [supply for _, supply in _members((), table.get("supply"))]
        for supply in named:
            if supply in self.board.supplies and supply not in self.on:
                self._add((*path, "supply"), f"{quoted(supply)}, which is not on", one_of(self.on))
        self.on -= set(named) if named else set(self.on)

    def _covered(self, of: Any) -> set[str]:
        """The supplies that a resistance step checks: by name, by net, by a point on the net."""
        names = [name for _, name in _members((), of)]
        if "all" in names or "every supply" in names:
            return set(self.board.supplies)
        nets = {self.board.points[name].net if name in self.board.points else name for name in names}
        return {name for name, supply in self.board.supplies.items() if name in names or supply.net in nets}

    def _add(self, path: Path, found: str, allowed: str) -> None:
        """Not where the step's own model has found something at the same key already."""
        key = key_text(path)
        if not any(problem.key == key for problem in self.document.problems):
            self.document.add(path, found, allowed)


def _and(names: Iterable[str]) -> str:
    return " and ".join(sorted(names))
