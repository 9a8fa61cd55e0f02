"""The part book: chips and transistors by part number, described once and used by every board.

    book = Book.beside(folder)          parts/*.toml beside the board, then the user's own, then the packaged ones
    entry = book.find(part, ground)     an Entry whose pins fit the drawn part, or None

An entry is a table of a TOML file: `match` (patterns for the part number or value), `words` (any of them in the part's
text), `count` (how many pins the package has), `unused` (pins that the model needs not), `beyond_inductor` (a pin of
the kind that is the far end of the inductor on a numbered pin), `needs` (parts beside it), `price`, `says`, and what
stands in a board file's part: `kind`, values, and `pins` as number = the kind's pin. The first that fits wins: a book
of one's own goes before the packaged.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from importlib import resources
from pathlib import Path
from typing import Any, Final

from wakeboard.harness.describe.board.parts import board_kinds
from wakeboard.harness.describe.problems import FileProblems, nearest, one_of, quoted
from wakeboard.harness.describe.toml.document import Document, read_text
from wakeboard.harness.drawings.design import DrawnPart
from wakeboard.harness.drawings.parts.pinout import contradiction

OWN: Final = ("match", "words", "count", "unused", "beyond_inductor", "says", "kind", "pins", "needs", "price")
NESTED: Final = ("io", "supply", "max", "aliases")


@dataclass(frozen=True)
class Entry:
    """One part of the book. pins: number -> pin of the kind; table: what goes into the board file beside pins."""

    name: str
    file: str
    kind: str
    pins: Mapping[str, str]
    table: Mapping[str, Any]
    match: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    count: int | None = None
    unused: tuple[str, ...] = ()
    beyond_inductor: Mapping[str, str] = field(default_factory=dict)
    says: str = ""
    needs: tuple[Mapping[str, Any], ...] = ()
    """Parts beside it: tables with kind, value, pins (of this part) and says."""
    price: float | None = None

    def names(self, part: DrawnPart) -> bool:
        """Whether a part number or value fits a pattern."""
        texts = [text.casefold() for text in (part.number, part.value) if text]
        return any(fnmatchcase(text, pattern.casefold()) for text in texts for pattern in self.match)

    def is_told(self, part: DrawnPart) -> bool:
        """Whether one of its words stands in the part's text."""
        text = part.text
        return any(
            re.search(rf"(?<![a-z0-9]){re.escape(word)}(?![a-z0-9])", text, re.IGNORECASE) for word in self.words
        )

    def as_drawn(self, part: DrawnPart) -> Entry:
        """The entry for a drawing that has the kind's own names (C, B, E) in the place of pin numbers."""
        names = {*self.pins.values()}
        if part.pins and set(part.pins) <= names and not set(part.pins) <= set(self.pins):
            return replace(self, pins={name: name for name in names}, count=None)
        return self

    def fits(self, part: DrawnPart, ground: str) -> bool:
        """Whether pins and ground are where the entry has them."""
        known = {*self.pins, *self.unused, *self.beyond_inductor.values()}
        if not part.pins or not set(part.pins) <= known or (self.count and len(part.pins) > self.count):
            return False
        needed = {number for number, pin in self.pins.items() if pin != "EN"}
        nets = {pin: part.pins[number] for number, pin in self.pins.items() if number in part.pins}
        have = {number for number in self.pins if number in part.pins}
        if self.kind != "chip" and not {self.pins[n] for n in needed} <= set(nets):
            return False
        if len({(self.pins[n], part.pins[n]) for n in have}) != len({self.pins[n] for n in have}):
            return False  # one pin of the kind on two nets
        return "GND" not in self.pins.values() or nets.get("GND") == ground


@dataclass(frozen=True)
class Book:
    """Every entry, the nearest first."""

    entries: tuple[Entry, ...]

    @classmethod
    def beside(cls, folder: Path | None) -> Book:
        """Raises FileProblems for a book that cannot be read."""
        return cls(tuple(entry for file, text in _files(folder) for entry in read_entries(file, text)))

    def find(
        self, part: DrawnPart, ground: str, *, by_number: bool = False, coil: Callable[[str], object] = bool
    ) -> Entry | None:
        """The entry for a part: by its number first, then (unless by_number) by its words. Of several pinouts of a
        converter the first with its inductor where the drawing has one; `coil` says whether a net is on an inductor."""
        fitting = [e for e in self._fitting(part, ground, by_number) if not contradiction(e, part, ground)]
        wound = (e for e in fitting if all(coil(part.pins.get(n, "")) for n in e.beyond_inductor.values()))
        return next(wound, next(iter(fitting), None))

    def against(self, part: DrawnPart, ground: str, *, by_number: bool = False) -> str:
        """Why an entry that fits by number or words is not taken; "" where there is none such."""
        reasons = ((entry, contradiction(entry, part, ground)) for entry in self._fitting(part, ground, by_number))
        return next((f"the book's {entry.name} does not fit: {why}" for entry, why in reasons if why), "")

    def _fitting(self, part: DrawnPart, ground: str, by_number: bool) -> Iterator[Entry]:
        entries = [entry.as_drawn(part) for entry in self.entries]
        yield from (entry for entry in entries if entry.names(part) and entry.fits(part, ground))
        if not by_number:
            yield from (entry for entry in entries if entry.is_told(part) and entry.fits(part, ground))


def own_folder() -> Path:
    """Where a user's own entries stand for all boards."""
    import platformdirs

    return Path(platformdirs.user_config_dir("wakeboard", appauthor=False)) / "parts"


def _files(folder: Path | None) -> Iterator[tuple[str, str]]:
    for place in (folder / "parts" if folder else None, own_folder()):
        if place is not None and place.is_dir():
            for file in sorted(place.glob("*.toml")):
                yield str(file), _text(file)
    packaged = resources.files("wakeboard.sequences").joinpath("parts")
    for item in sorted(packaged.iterdir(), key=lambda item: item.name):
        if item.name.endswith(".toml"):
            yield f"sequences/parts/{item.name}", item.read_text(encoding="utf-8")


def _text(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        document = Document(str(file))
        document.add((), str(error), "a part book in UTF-8")
        raise FileProblems(document.problems) from None


def read_entries(file: str, text: str) -> list[Entry]:
    """The entries of a book's file. Raises FileProblems with line and key."""
    document = read_text(text, file)
    entries = [_entry(document, name, table) for name, table in document.data.items()]
    if document.problems:
        raise FileProblems(document.problems)
    return [entry for entry in entries if entry is not None]


def _entry(document: Document, name: str, table: object) -> Entry | None:
    if not isinstance(table, dict):
        document.add((name,), quoted(table), "a table: [PART] with kind, pins, match")
        return None
    kind = str(table.get("kind", ""))
    if kind not in board_kinds():
        document.add((name, "kind"), quoted(kind), one_of(board_kinds(), 40), nearest(kind, board_kinds()))
        return None
    allowed = {*OWN, *NESTED, *board_kinds()[kind].values, *board_kinds()[kind].synonyms, "tolerance", "variants",
               "pin_table", "options"}  # fmt: skip
    for key in table:
        if key not in allowed:
            document.add((name, key), f"the unknown key {quoted(key)}", one_of(allowed, 30), nearest(key, allowed))
    pins = table.get("pins", {})
    if not isinstance(pins, dict) or not all(isinstance(pin, str) for pin in pins.values()):
        document.add((name, "pins"), quoted(pins), 'a table number = pin, such as { 1 = "IN", 2 = "GND" }')
        pins = {}
    _known_pins(document, name, kind, pins)
    lists = {key: _strings(document, name, key, table.get(key, [])) for key in ("match", "words", "unused")}
    beyond, count = table.get("beyond_inductor", {}), table.get("count")
    return Entry(
        name=name,
        file=document.file,
        kind=kind,
        pins=pins,
        table={key: value for key, value in table.items() if key not in OWN},
        match=lists["match"],
        words=lists["words"],
        count=count if isinstance(count, int) else None,
        unused=lists["unused"],
        beyond_inductor={str(key): str(value) for key, value in beyond.items()} if isinstance(beyond, dict) else {},
        says=str(table.get("says", "")),
        needs=_needs(document, name, kind, pins, table.get("needs", [])),
        price=_price(document, name, table),
    )


def _price(document: Document, name: str, table: Mapping[str, object]) -> float | None:
    price = table.get("price")
    if price is None or (isinstance(price, int | float) and not isinstance(price, bool) and price >= 0):
        return price
    document.add((name, "price"), quoted(price), "a number, in the money of the lists of parts")
    return None


def _needs(
    document: Document, name: str, kind: str, pins: Mapping[str, str], found: object
) -> tuple[Mapping[str, object], ...]:
    """What stands beside the part: each a table whose pins are this part's."""
    own = {*pins.values(), *board_kinds()[kind].pins}
    good = []
    for place, each in enumerate(found if isinstance(found, list) else [found]):
        if (
            not isinstance(each, dict)
            or each.get("kind") not in board_kinds()
            or not isinstance(each.get("pins"), list)
        ):
            document.add(
                (name, "needs", place),
                quoted(each),
                'a table: { kind = "capacitor", value = "1 µF", pins = ["VDD", "GND"] }',
            )
        elif strange := [pin for pin in each["pins"] if pin not in own]:
            document.add(
                (name, "needs", place), f"the pin {quoted(strange[0])}", one_of(own), nearest(str(strange[0]), own)
            )
        else:
            good.append(each)
    return tuple(good)


def _known_pins(document: Document, name: str, kind: str, pins: Mapping[str, str]) -> None:
    known = board_kinds()[kind]
    for number, pin in pins.items():
        if not known.any_pins and pin not in known.pins:
            document.add((name, "pins", number), f"the pin {quoted(pin)}", one_of(known.pins), nearest(pin, known.pins))


def _strings(document: Document, name: str, key: str, found: object) -> tuple[str, ...]:
    if isinstance(found, list) and all(isinstance(each, str) for each in found):
        return tuple(found)
    document.add((name, key), quoted(found), "a list of texts")
    return ()


__all__ = ["Book", "Entry", "own_folder", "read_entries"]
