"""A drawing read again: what a person wrote in board.toml stays, what the drawing changed comes in, all of it is told.

    result = merged(text, base, draft)       text of board.toml now; base: what the drawing said last time (places.json)
    result.text, result.told

Key by key, three ways: what the person left as the drawing had it follows the drawing; what the person changed stays,
and is told where the drawing changed too; what is gone from the drawing goes only if nobody touched it. Comments and
order stay (tomlkit). Without a base only what is new comes in.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import tomlkit
from tomlkit.container import Container, OutOfOrderTableProxy
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable, Item, Table

from wakeboard.harness.describe.problems import FileProblems, quoted
from wakeboard.harness.describe.toml.document import Document, read_text
from wakeboard.harness.drawings.boardfile.draft import Draft, adjacent_lines, comment
from wakeboard.results.counted import count

SECTIONS: Final = ("supplies", "rails", "lines", "points", "parts")
Tables = Mapping[str, Mapping[str, object]]
_Map = Table | InlineTable | Container | OutOfOrderTableProxy


@dataclass
class Merged:
    """The new text, and what was done, a line each."""

    text: str
    told: list[str] = field(default_factory=list)


def merged(text: str, base: Tables | None, draft: Draft, name: str = "board.toml") -> Merged:
    """Raises FileProblems for a board file that is no TOML."""
    document = read_text(text, name)
    if document.problems:
        raise FileProblems(document.problems)
    try:
        file = tomlkit.parse(text)
    except TOMLKitError as error:
        raise _unreadable(document, str(error)) from None
    told: list[str] = []
    _adjacent(file, base, draft, told)
    for section in SECTIONS:
        _Section(file, section, draft, (base or {}).get(section) if base is not None else None, told).merge()
    result = tomlkit.dumps(file)
    try:
        tomllib.loads(result)
    except tomllib.TOMLDecodeError as error:
        raise _unreadable(document, f"a layout that cannot be merged ({error})") from None
    return Merged(result, told)


def _unreadable(document: Document, found: str) -> FileProblems:
    document.add((), found, "a board file that can be read and written again")
    return FileProblems(document.problems)


class _Section:
    """One section of the file: supplies, rails, lines, points or parts."""

    def __init__(
        self, file: tomlkit.TOMLDocument, section: str, draft: Draft, base: Mapping[str, object] | None, told: list[str]
    ) -> None:
        self.file, self.section, self.told = file, section, told
        self.new = draft.tables[section]
        self.old: Mapping[str, object] | None = base
        self.comments = _comments(draft, section)
        found = file.get(section)
        self.moved: list[str] = []
        self.mine: Any = found if isinstance(found, _Map) else None

    def merge(self) -> None:
        old = self.old or {}
        for name, table in self.new.items():
            if self.mine is not None and name in self.mine:
                self._follow(name, table)
            elif name in old:
                self.told.append(f"{self.section}.{name}: you took it out, the drawing has it still: left out")
            else:
                self._add(name, table)
        for name in [name for name in old if name not in self.new]:
            if self.mine is not None and name in self.mine:
                self._gone(name)
        if self.moved:
            some = ", ".join(self.moved[:6]) + (" …" if len(self.moved) > 6 else "")
            self.told.append(f"{self.section}: {len(self.moved)} in another place: {some}")

    def _add(self, name: str, table: Mapping[str, object]) -> None:
        if self.mine is None:
            self.file[self.section] = tomlkit.table()
            self.mine = self.file[self.section]
        nested = self.section in ("supplies", "rails", "lines") or isinstance(table.get("io"), dict)
        item: Any = _table(table) if nested else _inline(table)
        note = self.comments.get(name, "")
        if note:
            item.comment(note)
        self.mine[name] = item
        self.told.append(f"{self.section}.{name}: new in the drawing")

    def _gone(self, name: str) -> None:
        mine = _plain(self.mine[name])
        if mine == (self.old or {}).get(name):
            del self.mine[name]
            self.told.append(f"{self.section}.{name}: gone from the drawing, taken out")
        else:
            self.told.append(f"{self.section}.{name}: gone from the drawing; kept, for you changed it: see to it")

    def _follow(self, name: str, table: Mapping[str, object]) -> None:
        mine, where = self.mine[name], f"{self.section}.{name}"
        if self.old is None:
            self._only_tell(where, _plain(mine), table)
            return
        old = self.old.get(name)
        if not isinstance(mine, _Map) or not isinstance(old, dict):
            return
        for key in dict.fromkeys([*old, *table]):
            before, now, here = old.get(key), table.get(key), _plain(mine.get(key))
            if now in (before, here):
                continue
            if here == before:
                _set(mine, key, now)
                if key == "place":
                    self.moved.append(name)
                else:
                    self.told.append(f"{where}.{key}: {_change(before, now)}")
            elif key == "pins" and isinstance(before, dict) and isinstance(now, dict) and isinstance(here, dict):
                self._moved_pins(where, mine["pins"], before, now, here)
            else:
                self.told.append(f"{where}.{key}: yours stays, {_short(here)}; the drawing says {_change(before, now)}")

    def _moved_pins(
        self, where: str, mine: Any, before: Mapping[str, str], now: Mapping[str, str], here: Mapping[str, str]
    ) -> None:
        """Pins that a person has named: the one on the net that the drawing's pin has left follows it."""
        counts, own = Counter(before.values()), Counter(here.values())
        for number in dict.fromkeys([*before, *now]):
            left, to = before.get(number), now.get(number)
            if left == to:
                continue
            names = [pin for pin, net in here.items() if net == left]
            if left and to and counts[left] == 1 and own[left] == 1:
                mine[names[0]] = to
                self.told.append(f"{where}.{names[0]}: on {to}, was on {left} (pin {number})")
            else:
                self.told.append(f"{where}: pin {number} is on {to or 'no net'}, was on {left or 'no net'}: see to it")

    def _only_tell(self, where: str, mine: object, table: Mapping[str, object]) -> None:
        if not isinstance(mine, dict):
            return
        for key in ("net", "pins", "value", "kind"):
            if key in table and key in mine and mine[key] != table[key]:
                self.told.append(
                    f"{where}.{key}: yours stays, {_short(mine[key])}; the drawing says {_short(table[key])}"
                )


def _comments(draft: Draft, section: str) -> dict[str, str]:
    if section == "parts":
        return {line.name: comment(line.origin, line.fill).strip(" #") for line in draft.parts.values()}
    return {row.name: comment(row.origin, row.fill).strip(" #") for row in getattr(draft.proposal, section)}


def _set(mine: Any, key: str, value: object) -> None:
    if value is None:
        del mine[key]
        return
    old = mine.get(key)
    trivia = old.trivia if isinstance(old, Item) else None
    mine[key] = _inline(value) if isinstance(value, dict) else value
    if trivia is not None and isinstance(mine[key], Item) and trivia.comment:
        mine[key].trivia.comment, mine[key].trivia.comment_ws = trivia.comment, trivia.comment_ws


def _inline(table: Mapping[str, object]) -> InlineTable:
    made = tomlkit.inline_table()
    for key, value in table.items():
        made[str(key)] = _inline(value) if isinstance(value, dict) else value
    return made


def _table(table: Mapping[str, object]) -> Table:
    made = tomlkit.table()
    for key, value in table.items():
        made[key] = (_pin_rows(value) if key == "io" else _inline(value)) if isinstance(value, dict) else value
    return made


def _pin_rows(table: Mapping[str, Any]) -> Table:
    made = tomlkit.table()
    for pin, row in table.items():
        made[pin] = _inline(row)
    return made


def _adjacent(file: tomlkit.TOMLDocument, base: Tables | None, draft: Draft, told: list[str]) -> None:
    """Neighbours follow the drawing where nobody touched them; else only pairs of nets that are gone are taken out."""
    head = file.get("board")
    if base is None or not isinstance(head, _Map):
        return
    before, now = (base.get("board") or {}).get("adjacent"), [list(pair) for pair in draft.adjacent]
    here = _plain(head.get("adjacent"))
    if here == now or not isinstance(here, list | None):
        return
    if here == before or here is None:
        kept = now
    else:
        nets = {net for line in draft.parts.values() for net in line.nets} | {draft.ground}
        kept = [pair for pair in here if isinstance(pair, list) and set(pair) <= nets]
    if kept != here:
        head["adjacent"] = _pairs(kept)
        told.append(f"board.adjacent: {count(len(kept), 'pair')} of neighbours, {len(here or [])} before")


def _pairs(pairs: list[list[str]]) -> object:
    rows = adjacent_lines([(a, b) for a, b in pairs])[1:] or ["adjacent = []"]
    return tomlkit.parse("\n".join(rows) + "\n")["adjacent"]


def _change(before: object, now: object) -> str:
    """New and old; of a table only what differs."""
    if isinstance(before, dict) and isinstance(now, dict):
        keys = [key for key in dict.fromkeys([*before, *now]) if before.get(key) != now.get(key)]
        return "; ".join(f"{key} = {_short(now.get(key))}, was {_short(before.get(key))}" for key in keys[:6])
    return f"{_short(now)}, was {_short(before)}"


def _plain(value: object) -> object:
    return value.unwrap() if hasattr(value, "unwrap") else value


def _short(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return ", ".join(f"{key} = {each}" for key, each in value.items())[:80]
    return quoted(value)
