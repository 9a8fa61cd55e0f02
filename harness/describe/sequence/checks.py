"""What a step may name, and what must have happened before it.

The order of steps is played through on paper: which supplies are on, which were checked for a short. What a kind needs,
and what it refuses beyond that, its own file says (steps.py).
"""

from __future__ import annotations

from collections.abc import Iterable

from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.problems import nearest, one_of, quoted
from wakeboard.harness.describe.sequence.paper import Paper
from wakeboard.harness.describe.sequence.steps import EVERY, Needs, StepKind, step_kinds
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.describe.toml.positions import Path


def check_sequence(tables: list[dict[str, object]], document: Document, board: Board) -> None:
    """Add what does not fit together in a sequence for this board."""
    paper = Paper(document, board)
    for index, table in enumerate(tables):
        kind = step_kinds().get(str(table.get("do")))
        _Names(document, board, index, table, kind.needs if kind else Needs("either")).check()
        if kind is not None:
            _play(paper, index, table, kind)


class _Names:
    """The names that one step uses."""

    def __init__(self, document: Document, board: Board, index: int, table: dict[str, object], needs: Needs) -> None:
        self.document = document
        self.board = board
        self.needs = needs
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

    def _known(self, place: Path, what: str, name: object, known: Iterable[str], more: str = "") -> None:
        names = list(known)
        if isinstance(name, str) and name not in names:
            self.document.add(
                (*self.path, *place), f"the {what} {quoted(name)}", more + one_of(names, 20), nearest(name, names)
            )

    def _of(self) -> None:
        groups = self.needs.of
        every = [word for word, table in EVERY.items() if table in groups]
        known = [name for group in groups for name in getattr(self.board, group)]
        for place, name in _members(("of",), self.table.get("of")):
            if name == "all" or name in every:
                continue
            more = " or ".join(map(quoted, every)) + ", " if every else ""
            self._known(place, "name", name, known, more)
            if self.needs.probes and name in known:
                self._reached(place, name)
            if self.needs.driven and name in self.board.lines and self.board.lines[name].driven_by is None:
                self.document.add((*self.path, *place), f"{quoted(name)}, which no pin drives", "a line with driven_by")

    def _reached(self, place: Path, name: str) -> None:
        """What a step names is measured, or the step is refused: silence would pass for a good board."""
        net = self.board.net_of(name)
        if not self.board.has_point(net):
            on = "" if net == name else f" (net {net})"
            allowed = f"what a probe reaches: add where, as [points.TP1] with net = {quoted(net)}"
            self.document.add((*self.path, *place), f"{quoted(name)}{on}, on which there is no point", allowed)

    def _means(self) -> None:
        """What the board must have for this kind of step at all."""
        target = self.board.target
        place = (*self.path, "do")
        if self.needs.links and not self.board.links:
            self.document.add(
                place, f"{quoted(self.do)} on a board without [links]", "a board file with [links.console]"
            )
        elif self.needs.pin_command and (target is None or target.pin_command is None):
            found = f"{quoted(self.do)} on a board that says no pin command"
            self.document.add(place, found, "a board file with [target.pin_command]")

    def _pin(self) -> None:
        pin = self.table.get("pin")
        if not isinstance(pin, str) or not self.board.parts:
            return
        pins = [
            f"{part.name}.{each}" for part in self.board.parts.values() if part.kind == "chip" for each in part.pins
        ]
        self._known(("pin",), "pin", pin, pins)
        if pin in pins and self.table.get("expect") is not None:
            self._reached(("pin",), pin)

    def _state(self) -> None:
        state = self.table.get("state")
        named = [name for _, name in _members(("of",), self.table.get("of"))]
        lines = [self.board.lines[name] for name in named if name in self.board.lines] or list(
            self.board.lines.values()
        )
        self._known(("state",), "state", state, sorted({each for line in lines for each in line.when}))


def _members(path: Path, found: object) -> list[tuple[Path, str]]:
    """The names in a name or a list of names, each with its path; what is no name is the step model's to refuse."""
    members = (
        [((*path, index), name) for index, name in enumerate(found)] if isinstance(found, list) else [(path, found)]
    )
    return [(place, name) for place, name in members if isinstance(name, str)]


def _play(paper: Paper, index: int, table: dict[str, object], kind: StepKind) -> None:
    """One step on paper: what its kind needs, then what it does."""
    paper.at(index)
    if kind.needs.power == "off" and paper.on:
        paper.problem("do", f"{quoted(kind.name)} while {_and(paper.on)} is on", 'a "power off" step before it')
    elif kind.needs.power == "on" and not paper.on:
        paper.problem("do", f"{quoted(kind.name)} with no supply on", 'a "power on" step before it')
    if kind.on_paper is not None:
        kind.on_paper(paper, table)


def _and(names: Iterable[str]) -> str:
    return " and ".join(sorted(names))
