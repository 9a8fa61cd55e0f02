"""What ties a board's tables together: names that must exist, pins that must sit on the line, levels that must hold.

Each check adds its problems to the document. Nets are only checked where the file has [parts]: without them there is
nothing to check against.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.board.levels import LevelError, line_thresholds
from wakeboard.harness.describe.board.parts import nets_of
from wakeboard.harness.describe.problems import nearest, one_of, quoted
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.describe.toml.positions import Path

_NAME = re.compile(r"[A-Za-z0-9_+\-/. ]+\Z")
_RESERVED = ("off", "load", "all", "boot", "every supply", "every rail", "every line", "every point")


def check_board(board: Board, document: Document, *, values: bool = True) -> None:
    """Add everything that does not fit together in a board: names, and values where they can be trusted."""
    for check in (*_NAMES, *(_VALUES if values else ())):
        check(board, document)


def _tables(board: Board) -> dict[str, Mapping[str, Any]]:
    return {"supplies": board.supplies, "rails": board.rails, "lines": board.lines, "points": board.points}


def _names(board: Board, document: Document) -> None:
    nets = board.nets
    first: dict[str, tuple[str, str]] = {}
    for table, entries in _tables(board).items():
        for name, entry in entries.items():
            path = (table, name)
            if not _NAME.match(name) or name in _RESERVED:
                document.add(
                    path, f"the name {quoted(name)}", "letters, digits, spaces and _ + - / ., no reserved word"
                )
            where, net = first.setdefault(name, (table, entry.net))
            if net != entry.net:
                document.add(
                    path, f"the name {quoted(name)}, also in [{where}] for another net", "one name for one net"
                )
            elif name != entry.net and name in nets:
                document.add(
                    path, f"the name {quoted(name)}, which is another net's", "its net's name, or one of its own"
                )


def _nets(board: Board, document: Document) -> None:
    if not board.parts:
        return
    nets = {*nets_of(board.parts), board.ground}
    for table, entries in _tables(board).items():
        for name, entry in entries.items():
            _known(document, (table, name, "net"), entry.net, nets, "net")
    for index, pair in enumerate(board.adjacent):
        for side, net in enumerate(pair):
            _known(document, ("board", "adjacent", index, side), net, nets, "net")
    if board.ground not in set(nets_of(board.parts)):
        written = document.at(("board", "ground")) is not None
        found = f"the net {quoted(board.ground)}" + ("" if written else ", assumed since none is written")
        near = nearest(board.ground, nets_of(board.parts))
        document.add(
            ("board", "ground"), f"{found}, on which no part sits", 'the net of zero volts: ground = "…"', near
        )


def _known(document: Document, path: Path, name: str, names: Iterable[str], what: str) -> bool:
    known = set(names)
    if name in known:
        return True
    document.add(path, f"the {what} {quoted(name)}", one_of(known, 15), nearest(name, known))
    return False


def _ranges(board: Board, document: Document) -> None:
    tables: dict[str, Mapping[str, Any]] = {"supplies": board.supplies, "rails": board.rails}
    for table, entries in tables.items():
        for name, entry in entries.items():
            if entry.volts is not None and entry.range is not None and entry.volts.nominal not in entry.range:
                document.add((table, name, "range"), entry.range.show("V"), "a range that holds the nominal volts")
    for name, supply in board.supplies.items():
        if supply.volts.nominal == 0:
            document.add(("supplies", name, "volts"), "0 V", "a voltage that powers something")


def _sources(board: Board, document: Document) -> None:
    known = {*board.supplies, *board.rails, *board.nets}
    for name, rail in board.rails.items():
        for index, source in enumerate(rail.sources):
            path: Path = ("rails", name, "from")
            if isinstance(document.at(path), list):
                path = (*path, index)
            names = [*board.supplies, *board.rails]
            if source not in known:
                document.add(path, f"the source {quoted(source)}", one_of(names, 20), nearest(source, known))
        if all(source in known for source in rail.sources) and not board.supplies_of(name):
            document.add(("rails", name, "from"), "sources that no supply feeds", "a chain that ends at a supply")
        for pin in rail.on_when:
            _pin(board, document, ("rails", name, "on_when", pin), pin)


def _pin(board: Board, document: Document, path: Path, text: str) -> str | None:
    """The net of "PART.PIN"; None where it does not exist, or cannot be known for want of parts."""
    name, dot, pin = text.partition(".")
    if not dot or not pin:
        document.add(path, quoted(text), 'a pin, such as "U1.GPIO7"')
        return None
    if not board.parts:
        return None
    if not _known(document, path, name, board.parts, "part"):
        return None
    pins = board.parts[name].pins
    if pin not in pins:
        document.add(path, f"the pin {quoted(pin)} of {name}", one_of(pins, 40), nearest(pin, pins))
        return None
    return pins[pin]


def _lines(board: Board, document: Document) -> None:
    for name, line in board.lines.items():
        if line.driven_by is not None:
            _driver(board, document, name)
        sources = {**board.supplies, **board.rails}
        for index, source in enumerate(line.needs):
            listed = isinstance(document.at(("lines", name, "needs")), list)
            _known(document, ("lines", name, "needs", *([index] if listed else [])), source, sources, "supply or rail")
        if line.rail is not None:
            _known(document, ("lines", name, "rail"), line.rail, {*board.rails, *board.supplies}, "rail")


def _driver(board: Board, document: Document, name: str) -> None:
    line, path = board.lines[name], ("lines", name, "driven_by")
    driver = str(line.driven_by)
    net = _pin(board, document, path, driver)
    if net is not None and net != line.net:
        on_net = [
            f"{part.name}.{pin}" for part in board.parts.values() for pin, at in part.pins.items() if at == line.net
        ]
        allowed = f"a pin on {line.net}: {one_of(on_net)}"
        document.add(path, f"{quoted(driver)}, which is on {net}", allowed, nearest(driver, on_net))


def _levels(board: Board, document: Document) -> None:
    for name, line in board.lines.items():
        try:
            line_thresholds(board, line)
        except LevelError as error:
            document.add(("lines", name, "levels"), error.found, error.allowed, error.hint)


def _target(board: Board, document: Document) -> None:
    target = board.target
    if target is None:
        return
    _known(document, ("target", "link"), target.link, board.links, "link")
    _known(document, ("target", "rail"), target.rail, {*board.rails, *board.supplies}, "rail")
    if target.reset is not None:
        _known(document, ("target", "reset"), target.reset, {*board.lines, *board.nets}, "line")
    if board.parts:
        _known(document, ("target", "part"), target.part, board.parts, "part")
    if target.pin_command is not None:
        _template(document, ("target", "pin_command", "send"), target.pin_command.send, pin="GPIO7", level="high")
    for index, answer in enumerate(target.answers):
        path: Path = ("target", "answers", index)
        _template(document, (*path, "reply"), answer.reply, volts=1.0)
        measured = [answer.measures] if answer.measures else []
        for key, net in [*((("needs", net), net) for net in answer.needs), *((("measures",), net) for net in measured)]:
            if board.parts:
                _known(document, (*path, *key), net, board.nets, "net")


def _template(document: Document, path: Path, text: str, **fields: object) -> None:
    try:
        text.format(**fields)
    except (KeyError, IndexError, ValueError, AttributeError, TypeError):
        words = " and ".join(f"{{{field}}}" for field in fields)
        document.add(path, quoted(text), f"text with {words}; other braces are doubled")


_Checks = tuple[Callable[[Board, Document], None], ...]
_NAMES: _Checks = (_names, _nets, _sources, _lines, _target)
_VALUES: _Checks = (_ranges, _levels)
