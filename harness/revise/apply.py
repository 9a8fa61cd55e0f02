"""Changes carried out on the text of a board file: comments, order and layout stay (tomlkit).

text = applied(board, plan)              the board file of the new revision
board_b = revised(board, plan)           the same, read and checked; raises FileProblems
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable, Item, Table

from wakeboard.harness.describe.load import board_of
from wakeboard.harness.describe.problems import FileProblems, nearest, one_of, quoted
from wakeboard.harness.describe.toml.document import Document, read_text
from wakeboard.harness.describe.toml.positions import Path
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.faults.fault import Fault, parse_fault
from wakeboard.instruments.virtual.circuit.parts import kind_of

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.revise.plan import Change, Plan
    from wakeboard.instruments.virtual.circuit.part import Part

SPREAD: Final = "25 %"
"""Tolerance of a pull that the units showed: a chip's own pull spreads by about that (spreads.md, section 2)."""
BODGE_TOLERANCE: Final = "1 %"
_SIGN = re.compile(r"\s*(±|\+/-|\+-).*\Z")


def revised(board: Board, plan: Plan, changes: Sequence[Change] | None = None) -> Board:
    """The board after the changes (default: all of the plan's). Raises FileProblems, at the lines of the new text."""
    text = applied(board, plan, changes)
    document = read_text(text, board.file)
    found = board_of(document)
    if document.problems or found is None:
        raise FileProblems(document.problems)
    return found


def applied(board: Board, plan: Plan, changes: Sequence[Change] | None = None) -> str:
    """The text of the new board file. Raises FileProblems for a change that the board cannot follow."""
    wanted = plan.changes if changes is None else changes
    try:
        editor = _Editor(board, plan, tomlkit.parse(board.text))
    except TOMLKitError as error:
        document = read_text(board.text, board.file)
        document.add((), str(error), "a board file that can be read and written again")
        raise FileProblems(document.problems) from None
    for place, text in enumerate(plan.learned):
        editor.learn(("learned", place), parse_fault(text))
    for change in wanted:
        editor.change(("change", plan.changes.index(change)), change)
    if wanted:
        editor.file["board"]["revision"] = plan.revision
    if editor.document.problems:
        raise FileProblems(editor.document.problems)
    text = tomlkit.dumps(editor.file)
    tomllib.loads(text)
    return text


class _Editor:
    """One board file while it is changed. Problems gather in the plan's document."""

    def __init__(self, board: Board, plan: Plan, file: tomlkit.TOMLDocument) -> None:
        from wakeboard.harness.describe.toml.document import read

        self.board, self.file = board, file
        self.document: Document = read(plan.file) if plan.file else Document("changes")
        self.parts: Any = file.get("parts")
        if self.parts is None:
            self.parts = file["parts"] = tomlkit.table()

    def change(self, path: Path, change: Change) -> None:
        for place, text in enumerate(change.do):
            self.do((*path, "do", place), parse_fault(text))
        for name, table in change.swap.items():
            self.swap((*path, "swap", name), name, table)
        for name, table in change.add.items():
            self.add((*path, "add", name), name, table)
        for key, table in change.put.items():
            _put(self.file, key, table)

    # --- fault words ------------------------------------------------------------------------------------------------
    def do(self, path: Path, fault: Fault) -> None:
        if fault.kind == "bridge":
            self.bridge(path, fault)
        elif self.known(path, fault):
            {
                "value": self.value, "variant": self.value, "missing": self.gone, "reversed": self.turned,
                "net": self.moved, "open": self.freed,
            }[fault.kind](path, fault)  # fmt: skip

    def known(self, path: Path, fault: Fault) -> bool:
        """Whether the part, and the pin, are there."""
        if fault.part not in self.parts:
            self.document.add(path, f'no part "{fault.part}"', one_of(self.parts, 15), nearest(fault.part, self.parts))
            return False
        pins = _pins_of(self.board, self.parts, fault.part)
        if fault.pin and fault.pin not in pins:
            self.document.add(path, f'no pin "{fault.target}"', one_of(pins, 20), nearest(fault.pin, pins))
            return False
        return True

    def value(self, path: Path, fault: Fault) -> None:
        part, table = self.board.parts.get(fault.part), self.parts[fault.part]
        kind = kind_of(part) if part else None
        main = kind.main if kind else None
        if kind is None or main is None:
            self.document.add(path, f"{fault.part}, which has no single value", "a part with one: or put its keys")
            return
        names = [main, *(old for old, new in kind.synonyms.items() if new == main)]
        key = next((name for name in names if name in table), main)
        sign = _SIGN.search(str(table.get(key, "")))
        unit = kind.values[main].unit
        argument = fault.argument if not sign or _SIGN.search(fault.argument) else f"{fault.argument} {sign[0].strip()}"
        _set(table, key, _written(argument, unit))

    def gone(self, _path: Path, fault: Fault) -> None:
        del self.parts[fault.part]

    def turned(self, path: Path, fault: Fault) -> None:
        part = self.board.parts.get(fault.part)
        mirrored = _turned(part) if part else {}
        if part is None or not mirrored:
            self.document.add(
                path, f"{fault.part}: turning it round changes nothing", "a part with two ends that differ"
            )
            return
        pins = _pins_of(self.board, self.parts, fault.part)
        self.pins(fault.part, {**pins, **{pin: pins[other] for pin, other in mirrored.items()}})

    def moved(self, _path: Path, fault: Fault) -> None:
        self.pins(fault.part, {fault.pin: fault.argument})

    def freed(self, path: Path, fault: Fault) -> None:
        table = self.parts[fault.part]
        if not isinstance(table.get("pins"), Mapping) or table.get("kind") != "chip":
            self.document.add(path, f"{fault.target}, which its kind needs", "a pin of a chip, or PART:missing")
            return
        for place in ("pins", "io", "supply", "aliases"):
            if isinstance(table.get(place), Mapping):
                table[place].pop(fault.pin, None)

    def bridge(self, path: Path, fault: Fault) -> None:
        nets = self.board.nets
        text = fault.target
        pairs = [(text[:k], text[k + 1 :]) for k in range(1, len(text) - 1) if text[k] == "+"]
        good = [pair for pair in pairs if pair[0] in nets and pair[1] in nets and pair[0] != pair[1]]
        if len(good) != 1:
            self.document.add(path, quoted(text), "two nets of the board with a + between")
            return
        self.add(path, self.free_name("R"), {
            "kind": "resistor", "value": fault.argument, "tolerance": BODGE_TOLERANCE, "pins": list(good[0]),
        })  # fmt: skip

    def free_name(self, letter: str) -> str:
        used = [int(name[len(letter) :]) for name in self.parts if re.fullmatch(rf"{letter}\d+", name)]
        return f"{letter}{max(used, default=0) + 1}"

    def pins(self, part: str, moved: Mapping[str, str]) -> None:
        """Pins on other nets, in the shape in which the file has them."""
        table = self.parts[part]
        if isinstance(table["pins"], list):
            order = list(_pins_of(self.board, self.parts, part))
            for pin, net in moved.items():
                table["pins"][order.index(pin)] = net
        else:
            for pin, net in moved.items():
                _set(table["pins"], pin, net)

    # --- parts and keys ---------------------------------------------------------------------------------------------
    def swap(self, path: Path, name: str, table: object) -> None:
        if name not in self.parts:
            self.document.add(path, f'no part "{name}"', f"{one_of(self.parts, 15)}; a new part is added: add")
        elif isinstance(table, dict):
            self.parts[name] = _inline(table) if _short(table) else _table(table)

    def add(self, path: Path, name: str, table: object) -> None:
        if name in self.parts:
            self.document.add(path, f'the part "{name}", which is there', "a new name; one that is replaced is: swap")
        elif isinstance(table, dict):
            self.parts[name] = _inline(table) if _short(table) else _table(table)
        else:
            self.document.add(path, quoted(table), "a table as in a board file: kind, pins, values")

    def learn(self, path: Path, fault: Fault) -> None:
        """A chip's pin gets the pull that the units showed."""
        if not self.known(path, fault):
            return
        table = self.parts[fault.part]
        if table.get("kind") != "chip":
            self.document.add(path, f"{fault.part}, a {table.get('kind')}", "a pin of a chip")
            return
        if "io" not in table:
            table["io"] = tomlkit.table()
        row = table["io"].get(fault.pin)
        if row is None:
            table["io"][fault.pin] = row = tomlkit.inline_table()
        row.pop("pulls", None)
        _set(row, fault.kind, f"{show(fault.ohms, 'Ω')} ± {SPREAD}")


def with_keys(text: str, tables: Sequence[Mapping[str, object]]) -> str:
    """The text of a board file with some keys set (nested tables as in the file); comments and layout stay."""
    file = tomlkit.parse(text)
    for table in tables:
        for key, value in table.items():
            _put(file, key, value)
    return tomlkit.dumps(file)


def _put(mine: Any, key: str, value: object) -> None:
    """A key of the board file; tables are merged. False for a table takes it away."""
    if isinstance(value, Mapping) and isinstance(mine.get(key), Mapping):
        for inner, each in value.items():
            _put(mine[key], inner, each)
    elif value is False and isinstance(mine.get(key), Mapping):
        del mine[key]
    elif isinstance(value, dict):
        mine[key] = _inline(value) if isinstance(mine, InlineTable) or _short(value) else _table(value)
    else:
        _set(mine, key, value)


def _turned(part: Part) -> Mapping[str, str]:
    """pin -> the pin whose place it takes. A kind that only knows itself reversed (a diode) has two ends."""
    kind = kind_of(part)
    if "reversed" in kind.values and len(kind.pins) == 2:
        return dict(zip(kind.pins, reversed(kind.pins), strict=True))
    return kind.mirrored


def _pins_of(board: Board, parts: Any, name: str) -> dict[str, str]:
    """pin -> net as the file now has it."""
    pins = parts[name].get("pins", {})
    if not isinstance(pins, list):
        return {str(pin): str(net) for pin, net in pins.items()}
    drawn = board.parts.get(name)
    order = kind_of(drawn).pins if drawn else ("1", "2")
    return dict(zip(order, map(str, pins), strict=False))


def _written(text: str, unit: str) -> str:
    """A bare number gets its unit: a board file asks for one."""
    return f"{text} {unit}" if unit and re.fullmatch(r"[0-9.eE+-]+", text.strip()) else text


def _set(mine: Any, key: str, value: object) -> None:
    """Set a key and keep the comment behind it."""
    old = mine.get(key)
    trivia = old.trivia if isinstance(old, Item) else None
    mine[key] = _inline(value) if isinstance(value, dict) else value
    if trivia is not None and trivia.comment and isinstance(mine[key], Item):
        mine[key].trivia.comment, mine[key].trivia.comment_ws = trivia.comment, trivia.comment_ws


def _short(table: Mapping[str, object]) -> bool:
    return not any(isinstance(value, dict) and key in ("io", "supply") for key, value in table.items())


def _inline(table: Mapping[str, object]) -> InlineTable:
    made = tomlkit.inline_table()
    for key, value in table.items():
        made[str(key)] = _inline(value) if isinstance(value, dict) else value
    return made


def _table(table: Mapping[str, object]) -> Table:
    made = tomlkit.table()
    for key, value in table.items():
        if key == "io" and isinstance(value, dict):
            made[key] = rows = tomlkit.table()
            for pin, row in value.items():
                rows[pin] = _inline(row)
        else:
            made[key] = _inline(value) if isinstance(value, dict) else value
    return made
